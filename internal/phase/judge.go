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
	warmUp    = 6   // intervals seen before the first edge is judged
	tolerance = 0.2 // of an interval, by which an edge may be early or late
)

// judge decides which edges end a turn.
type judge struct {
	min, max float64 // samples a turn at the fastest and slowest speed

	raw  [rhythm]float64 // last raw intervals, samples
	n    int             // how many of raw, up to rhythm; raw[(n-1)%rhythm] style ring below
	next int

	wheel  wheel
	has    bool    // the last mark in rhythm is known: wheel.pos
	prev   float64 // last raw edge, whatever it was worth
	part   bool    // the turn that runs began between its marks: it is none
	bad    bool    // the turn that runs has lost its claim, for why
	why    Drop
	before float64 // length of the turn accepted before, 0 = none
	got    [maxSectors + 1]anchor
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
	return judge{wheel: newWheel(pulses),
		min: 2 * math.Pi / cfg.MaxSpeed * rate, max: 2 * math.Pi / cfg.MinSpeed * rate}
}

// open reports whether a turn has begun.
func (j *judge) open() bool { return j.has }

// oldest is the first sample position still needed.
func (j *judge) oldest() (float64, bool) { return j.wheel.begin(), j.has }

// cold reports whether the rhythm is not known.
func (j *judge) cold() bool { return j.n == 0 }

// lookahead is how many edges must follow before the next is judged.
func (j *judge) lookahead() int {
	if j.cold() {
		return warmUp * j.wheel.marks()
	}
	return 0
}

// breakOff forgets the turn that has begun; the rhythm stays.
func (j *judge) breakOff() {
	j.has, j.before, j.bad = false, 0, false
	if j.wheel.marks() > 1 { // which mark comes next is not known either
		j.n, j.next = 0, 0
		j.wheel.lose()
	}
}

// forget forgets the rhythm, too.
func (j *judge) forget() {
	j.breakOff()
	j.n, j.next = 0, 0
	j.wheel.lose()
}

func (j *judge) shift(by float64) {
	j.wheel.shift(by)
	j.prev -= by
}

// warm learns the rhythm from edges not yet judged, the first interval last,
// because it is the next to be judged.
func (j *judge) warm(q *queue) {
	j.wheel.learn(q)
	n := min(j.lookahead(), q.len()-1)
	for i := n; i > 0; i-- {
		if i <= rhythm && !q.at(i).lost {
			j.learn((q.at(i).pos - q.at(i-1).pos) / j.wheel.share(i-1))
		}
	}
	if j.n == 0 {
		j.learn((q.at(1).pos - q.at(0).pos) / j.wheel.share(0))
	}
}

func (j *judge) learn(d float64) {
	j.raw[j.next] = d
	j.next = (j.next + 1) % rhythm
	j.n = min(j.n+1, rhythm)
}

// expect is the length of a turn in samples that the rhythm says comes next.
func (j *judge) expect() float64 {
	var d [rhythm]float64
	oldest := j.next - j.n + rhythm
	for i := range j.n {
		d[i] = j.raw[(oldest+i)%rhythm]
	}
	lag := j.n / 2
	if lag == 0 {
		return d[0]
	}
	sorted := d
	m := median(sorted[:j.n])
	// The trend is that of intervals like the median: one that a missing edge
	// doubled, or an extra one cut, says nothing of it.
	var ratio [rhythm]float64
	pairs := 0
	for i := range j.n - lag {
		if alike(d[i], m) && alike(d[i+lag], m) {
			ratio[pairs] = d[i+lag] / d[i]
			pairs++
		}
	}
	if pairs == 0 {
		return m
	}
	trend := median(ratio[:pairs])
	trend = math.Max(0.3, math.Min(3, trend))
	// The median stands (n+1)/2 intervals before the next one.
	steps := float64(j.n+1) / 2 / float64(lag)
	if math.Abs(trend-1) < 0.1 {
		return m * (1 + steps*(trend-1))
	}
	return m * math.Pow(trend, steps)
}

// alike reports whether two intervals may be of one rhythm.
func alike(a, b float64) bool { return a < 1.6*b && b < 1.6*a }

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
	turn := j.expect()
	if m.lost && j.has {
		v.drops, v.reason = 1, DropMissed
		j.breakOff()
	}
	if !j.has {
		if !j.wheel.known() && j.wheel.marks() > 1 {
			j.n = 0 // which mark this is must be learned again
			return v
		}
		j.has, j.prev, j.part = true, m.pos, j.wheel.at != 0
		j.wheel.start(m.pos)
		return v
	}
	share := j.wheel.share(0)
	j.learn((m.pos - j.prev) / share)
	j.prev = m.pos
	d := (m.pos - j.wheel.pos()) / turn
	switch {
	case d < (1-tolerance)*share:
		j.spoil(DropSpurious)
		if d < tolerance*share {
			j.why = DropDoubled
		}
		return v
	case d <= (1+tolerance)*share:
		v.good, v.period = true, (m.pos-j.wheel.pos())/share
		j.pass(m.pos, 1, &v)
		return v
	}
	k, ok := j.wheel.missed(d, tolerance)
	j.spoil(DropMissed)
	if !ok {
		j.why = DropSpeed
		if j.wheel.marks() > 1 {
			v.drops, v.reason = 1, DropSpeed
			j.breakOff()
			return v
		}
	}
	j.pass(m.pos, k, &v)
	return v
}

func (j *judge) spoil(why Drop) {
	if !j.bad {
		j.bad, j.why = true, why
	}
}

// pass moves on by k marks to an edge at pos. Only one mark at a time can end a
// good turn.
func (j *judge) pass(pos float64, k int, v *verdict) {
	if k > 1 {
		j.before = 0
	}
	why := j.why
	for i := range k {
		if !j.wheel.advance(pos) {
			continue
		}
		switch {
		case j.part:
		case k == 1 && !j.bad:
			j.complete(pos, v)
		default:
			v.drops, v.reason = v.drops+1, why
			j.before = 0
		}
		j.bad, j.part = i < k-1, false
		j.why = why
		j.wheel.start(pos)
	}
}

// complete ends a turn in which every mark came when it should.
func (j *judge) complete(pos float64, v *verdict) {
	d := pos - j.wheel.begin()
	if d < j.min || d > j.max {
		v.drops, v.reason = 1, DropSpeed
		j.before = 0
		return
	}
	v.turn = true
	v.anchors = j.wheel.anchors(j.got[:0], pos)
	if j.before > 0 {
		v.accel = 4 * math.Pi * (1/d - 1/j.before) / (d + j.before)
	}
	j.before = d
}
