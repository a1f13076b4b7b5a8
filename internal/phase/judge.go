package phase

import (
	"math"
)

// The gate on the tach. Every edge is compared with where the rhythm of the
// last raw intervals says that it must come: their median carried forward by
// their trend. Raw, because a gate fed with accepted intervals alone can lock
// on half the speed during a run-up.
const (
	rhythm    = 11  // intervals that make the rhythm
	warmUp    = 4   // intervals seen before the first edge is judged
	tolerance = 0.2 // of an interval, by which an edge may be early or late
)

// judge decides which edges end a turn.
type judge struct {
	rate     float64
	min, max float64 // samples a turn at the fastest and slowest speed
	marks    int     // per turn

	raw  [rhythm]float64 // last raw intervals, samples
	n    int             // how many of raw, up to rhythm; raw[(n-1)%rhythm] style ring below
	next int

	has     bool    // anchor is valid
	anchor  anchor  // last edge in rhythm
	prev    float64 // last raw edge, whatever it was worth
	prevOK  bool
	extra   uint8 // edges out of rhythm since the anchor
	doubled bool
	before  float64 // the interval accepted before, 0 = none
	got     [2]anchor
}

// verdict is what an edge meant.
type verdict struct {
	turn    bool
	anchors []anchor // of the turn that it ends
	accel   float64  // rad per sample squared
	drops   int      // revolutions lost at this edge, for reason
	reason  Drop
	good    bool    // the edge was in rhythm
	period  float64 // samples a turn, as far as this edge tells; 0 = not
}

func newJudge(pulses int, rate float64, cfg Config) judge {
	return judge{rate: rate, marks: max(1, pulses),
		min: 2 * math.Pi / cfg.MaxSpeed * rate, max: 2 * math.Pi / cfg.MinSpeed * rate}
}

// open reports whether a turn has begun.
func (j *judge) open() bool { return j.has }

// oldest is the first sample position still needed.
func (j *judge) oldest() (float64, bool) { return j.anchor.pos, j.has }

// cold reports whether the rhythm is not known.
func (j *judge) cold() bool { return j.n == 0 }

// lookahead is how many edges must follow before the next is judged.
func (j *judge) lookahead() int {
	if j.cold() {
		return warmUp
	}
	return 0
}

// breakOff forgets the turn that has begun; the rhythm stays.
func (j *judge) breakOff() {
	j.has, j.prevOK, j.before, j.extra = false, false, 0, 0
}

// forget forgets the rhythm, too.
func (j *judge) forget() {
	j.breakOff()
	j.n, j.next = 0, 0
}

func (j *judge) shift(by float64) {
	j.anchor.pos -= by
	j.prev -= by
}

// warm learns the rhythm from edges not yet judged, the first interval last,
// because it is the next to be judged.
func (j *judge) warm(q *queue) {
	for i := min(warmUp, q.len()-1); i > 0; i-- {
		if !q.at(i).lost {
			j.learn(q.at(i).pos - q.at(i-1).pos)
		}
	}
	if j.n == 0 {
		j.learn(q.at(1).pos - q.at(0).pos)
	}
}

func (j *judge) learn(d float64) {
	j.raw[j.next] = d
	j.next = (j.next + 1) % rhythm
	j.n = min(j.n+1, rhythm)
}

// expect is the interval that the rhythm says comes next.
func (j *judge) expect() float64 {
	var d [rhythm]float64
	oldest := j.next - j.n + rhythm
	for i := range j.n {
		d[i] = j.raw[(oldest+i)%rhythm]
	}
	lag := j.n / 2
	var ratio [rhythm]float64
	pairs := j.n - lag
	if lag == 0 {
		return d[0]
	}
	for i := range pairs {
		ratio[i] = d[i+lag] / d[i]
	}
	trend := median(ratio[:pairs])
	trend = math.Max(0.3, math.Min(3, trend))
	m := median(d[:j.n])
	// The median stands (n+1)/2 intervals before the next one.
	steps := float64(j.n+1) / 2 / float64(lag)
	if math.Abs(trend-1) < 0.1 {
		return m * (1 + steps*(trend-1))
	}
	return m * math.Pow(trend, steps)
}

// median sorts d in place.
func median(d []float64) float64 {
	for i := 1; i < len(d); i++ {
		for k := i; k > 0 && d[k] < d[k-1]; k-- {
			d[k], d[k-1] = d[k-1], d[k]
		}
	}
	n := len(d)
	if n%2 == 1 {
		return d[n/2]
	}
	return (d[n/2-1] + d[n/2]) / 2
}

// edge judges the next edge.
func (j *judge) edge(m mark) (v verdict) {
	expected := j.expect()
	if m.lost && j.has {
		v.drops, v.reason = 1, DropMissed
		j.breakOff()
	}
	if j.prevOK {
		j.learn(m.pos - j.prev)
	}
	j.prev, j.prevOK = m.pos, true
	if !j.has {
		j.restart(m.pos)
		return v
	}
	d := m.pos - j.anchor.pos
	switch r := d / expected; {
	case r < 1-tolerance:
		j.extra++
		j.doubled = r < tolerance
		return v
	case r <= 1+tolerance:
		j.inRhythm(m, d, &v)
	default:
		whole := math.Round(r)
		v.drops, v.reason = max(1, int(math.Min(whole, 1e6))), DropMissed
		if math.Abs(r-whole) > tolerance {
			v.reason = DropSpeed
		}
		j.before = 0
	}
	j.restart(m.pos)
	return v
}

func (j *judge) restart(pos float64) {
	j.anchor, j.has, j.extra, j.doubled = anchor{pos: pos}, true, 0, false
}

// inRhythm ends a turn at an edge that came when it should.
func (j *judge) inRhythm(m mark, d float64, v *verdict) {
	v.good, v.period = true, d
	switch {
	case d < j.min || d > j.max:
		v.drops, v.reason = 1, DropSpeed
	case j.extra > 0 && j.doubled:
		v.drops, v.reason = 1, DropDoubled
	case j.extra > 0:
		v.drops, v.reason = 1, DropSpurious
	default:
		v.turn = true
		j.got = [2]anchor{{j.anchor.pos, 0}, {m.pos, 2 * math.Pi}}
		v.anchors = j.got[:]
		if j.before > 0 {
			v.accel = 4 * math.Pi * (1/d - 1/j.before) / (d + j.before)
		}
	}
	j.before = d
}
