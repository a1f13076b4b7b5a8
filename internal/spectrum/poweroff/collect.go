package poweroff

import (
	"fmt"
	"math"
	"slices"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Config is what is known of the machine. Unknown figures are zero.
type Config struct {
	Blades int
	Belt   float64 // turns of the belt for one turn of the fan
	Motor  float64 // turns of the motor for one turn of the fan, where a belt or gear lies between; 0 or 1 = direct
	MaxHz  float64 // highest frequency looked at; 0 = 400
}

// Test collects a recording of switching off. One goroutine feeds it.
type Test struct {
	cfg   Config
	x     *phase.Extractor
	setup *acq.Setup
	first uint64
	start float64     // s of board time of the first sample kept
	data  [][]float32 // [channel]
	turns []turn
	edges int
	gap   bool // samples were lost, and everything before that was forgotten
	holes []hole
}

// hole is a short loss that was bridged: its samples are zero and take no part
// in any fit. s of board time.
type hole struct{ from, to float64 }

type turn struct{ at, seconds, speed float64 }

const (
	mostSeconds  = 240 // of samples kept; older ones are forgotten
	defaultMaxHz = 400
	mostHole     = 0.5 // s of lost samples that are bridged; over more the turns cannot be counted
)

// New makes an empty Test.
func New(cfg Config) *Test {
	if !(cfg.MaxHz > 0) {
		cfg.MaxHz = defaultMaxHz
	}
	return &Test{cfg: cfg, x: phase.NewExtractor(phase.Config{})}
}

// Add takes the next block. A short loss of samples is left out; a long one, or
// another set-up, begins anew.
func (t *Test) Add(b *acq.Block) {
	if b == nil || b.Setup == nil || len(b.Samples) == 0 {
		return
	}
	if t.setup == nil {
		t.first = b.Tick
	}
	if t.setup != b.Setup || b.Gap != acq.NoLoss && !t.bridge(b) {
		t.gap = t.gap || t.setup != nil
		t.setup, t.turns, t.edges, t.holes = b.Setup, nil, 0, nil
		t.start = float64(int64(b.Tick-t.first)) / b.Setup.TickHz
		t.data = make([][]float32, len(b.Samples))
	}
	for c := range t.data {
		t.data[c] = append(t.data[c], b.Samples[c]...)
	}
	t.edges += len(b.Edges)
	t.x.Add(b, func(u *phase.Turn) {
		t.turns = append(t.turns, turn{u.Tick, u.Seconds, u.Speed})
	})
	if most := int(mostSeconds * b.Setup.Rate); len(t.data[0]) > most+most/4 {
		drop := len(t.data[0]) - most
		for c := range t.data {
			t.data[c] = append(t.data[c][:0], t.data[c][drop:]...)
		}
		t.start += float64(drop) / b.Setup.Rate
		for len(t.turns) > 0 && t.turns[0].at < t.start {
			t.turns = t.turns[1:]
		}
	}
}

// bridge fills a short loss before b with zeros and remembers where it was.
func (t *Test) bridge(b *acq.Block) bool {
	at, have := float64(int64(b.Tick-t.first))/b.Setup.TickHz, t.start+float64(len(t.data[0]))/b.Setup.Rate
	lost := at - have
	if !(lost > -0.5/b.Setup.Rate && lost <= mostHole) {
		return false
	}
	if n := int(math.Round(lost * b.Setup.Rate)); n > 0 {
		for c := range t.data {
			t.data[c] = append(t.data[c], make([]float32, n)...)
		}
		t.holes = append(t.holes, hole{have, at})
	}
	return true
}

// lost is the share of a window that fell into holes.
func (t *Test) lost(w *window) float64 {
	sum := 0.0
	for _, h := range t.holes {
		sum += math.Max(0, math.Min(h.to, w.start+w.seconds())-math.Max(h.from, w.start))
	}
	return sum / w.seconds()
}

// course is the rotor angle over time, by the turns: cubic between their ends.
type course struct {
	at, phi, speed []float64
}

func newCourse(turns []turn) *course {
	c := &course{}
	count := 0.0
	for i, u := range turns {
		if i > 0 {
			end := turns[i-1].at + turns[i-1].seconds
			if gap := u.at - end; gap > 0.01*u.seconds { // revolutions that were not accepted
				count += math.Max(1, math.Round(gap/((u.seconds+turns[i-1].seconds)/2)))
				c.mark(end, c.phi[len(c.phi)-1])
			}
		}
		c.mark(u.at, 2*math.Pi*count)
		count++
		if i == len(turns)-1 {
			c.mark(u.at+u.seconds, 2*math.Pi*count)
		} else if gap := turns[i+1].at - u.at - u.seconds; gap > 0.01*u.seconds {
			c.mark(u.at+u.seconds, 2*math.Pi*count)
		}
	}
	n := len(c.at)
	c.speed = make([]float64, n)
	for i := range c.speed {
		a, b := max(0, i-1), min(n-1, i+1)
		c.speed[i] = (c.phi[b] - c.phi[a]) / (c.at[b] - c.at[a])
	}
	return c
}

func (c *course) mark(at, phi float64) {
	if n := len(c.at); n > 0 && at-c.at[n-1] < 1e-6 {
		return
	}
	c.at, c.phi = append(c.at, at), append(c.phi, phi)
}

// angles fills phi at n times from start on, dt apart (Hermite's cubic).
func (c *course) angles(start, dt float64, n int) []float64 {
	out := make([]float64, n)
	k := 0
	for i := range out {
		t := start + float64(i)*dt
		for k < len(c.at)-2 && c.at[k+1] <= t {
			k++
		}
		h := c.at[k+1] - c.at[k]
		u := (t - c.at[k]) / h
		a, b := c.phi[k], c.phi[k+1]
		va, vb := c.speed[k]*h, c.speed[k+1]*h
		out[i] = a + u*(va+u*(3*(b-a)-2*va-vb+u*(2*(a-b)+va+vb)))
	}
	return out
}

// moment is when the supply was switched off and what the speed did.
type moment struct {
	off      float64 // s
	running  float64 // rad/s
	began    float64 // s, since when the speed was steady
	low      float64 // s, when the speed had fallen to lowShare
	lower    float64 // s, ... to lowerShare
	unsure   float64 // s, by which off may be wrong
	steadySD float64 // relative scatter of the steady speed
}

const (
	fallen       = 0.96 // of the running speed: surely coasting
	lowShare     = 0.70
	lowerShare   = 0.45 // how far a quick coast-down is used, so that enough of it is seen
	leastSteady  = 3.0  // s of steady running before
	steadyWithin = 0.02
)

// calm is the speed of every turn as the median of five: one edge that came
// early or late makes no highest speed.
func (t *Test) calm() []float64 {
	out := make([]float64, len(t.turns))
	for i := range out {
		k := min(i, len(t.turns)-1-i, 2)
		var v []float64
		for _, u := range t.turns[i-k : i+k+1] {
			v = append(v, u.speed)
		}
		slices.Sort(v)
		out[i] = v[k]
	}
	return out
}

// overdriven counts the revolutions that no sensor recorded within its range.
func (t *Test) overdriven() uint64 { return t.x.Dropped()[phase.DropValue] }

func (t *Test) tooStrong() error {
	return fmt.Errorf("in %d revolutions the signal of every sensor was clipped or held no numbers, and too few are left to see a switching off: lower the gain or take a sensor of a wider range, and record again", t.overdriven())
}

// find finds the moment of switching off in the speed: 1/w grows in a straight
// line while the drag goes with the square of the speed, and nearly so with
// friction, over the small fall that is used.
func (t *Test) find() (m moment, err error) {
	switch {
	case t.setup == nil || len(t.data[0]) == 0:
		return m, fmt.Errorf("the source holds no samples, so nothing can be told: look at the file or the board")
	case !t.setup.HasTach:
		return m, fmt.Errorf("the source has no tach, so what follows the speed cannot be told from what does not: put a mark on the fan's shaft and record it, too")
	case len(t.turns) < 20 && t.overdriven() > 0:
		return m, t.tooStrong()
	case len(t.turns) < 20 && t.gap:
		return m, fmt.Errorf("samples were lost in the middle and only %d revolutions came after that, so the switching off was not seen whole: look at the cable and the load of this computer, and record again", len(t.turns))
	case len(t.turns) < 20:
		return m, fmt.Errorf("the tach gave %d edges but only %d revolutions were accepted, too few to see a coast-down: clean the mark, and record from 10 s before switching off until it stands", t.edges, len(t.turns))
	}
	last, top := -1, 0.0
	speed := t.calm()
	for _, v := range speed {
		top = math.Max(top, v)
	}
	for i, v := range speed { // the last time that it ran near its highest speed
		if v > fallen*top {
			last = i
		}
	}
	end := t.turns[len(t.turns)-1].speed
	if end > lowShare*top {
		return m, fmt.Errorf("the speed fell only from %.0f to %.0f rpm before the recording ended, so no switching off can be judged: record from 10 s before switching off until the rotor stands", rotor.RPM(top), rotor.RPM(end))
	}
	// Steady running before: mean of what stays within reach of its own level.
	from := last
	for from > 0 && math.Abs(speed[from-1]/top-1) < 2*steadyWithin {
		from--
	}
	var sum, sq, n float64
	stop := max(from, last-int(1+0.1*float64(last-from)))
	for _, v := range speed[from : stop+1] {
		sum, sq, n = sum+v, sq+v*v, n+1
	}
	m.running = sum / n
	m.steadySD = math.Sqrt(math.Max(0, sq/n-m.running*m.running)) / m.running
	m.began = t.turns[from].at
	var a, b, aa, ab, k float64
	m.low = t.turns[len(t.turns)-1].at
	m.lower = m.low
	found := false
	for i, u := range t.turns {
		if i < last-2 {
			continue
		}
		share := speed[i] / m.running
		mid := u.at + u.seconds/2
		if share < 0.98 && share > 0.85 {
			x, y := mid-t.turns[last].at, 1/speed[i]
			a, b, aa, ab, k = a+x, b+y, aa+x*x, ab+x*y, k+1
		}
		if share < lowShare && !found {
			m.low, found = mid, true
		}
		if share < lowerShare && i > last {
			m.lower = mid
			break
		}
	}
	if slope := (k*ab - a*b) / (k*aa - a*a); k >= 2 && slope > 0 {
		m.off = t.turns[last].at + (1/m.running-(b-slope*a)/k)/slope
		m.unsure = 0.05 + 3*m.steadySD/(slope*m.running)
	} else {
		m.off, m.unsure = t.turns[last].at, 2*t.turns[last].seconds
	}
	if m.off-m.began < leastSteady && t.overdriven() > 0 {
		return m, t.tooStrong()
	}
	if m.off-m.began < leastSteady && t.gap {
		return m, fmt.Errorf("samples were lost and only %.1f s of steady running come between that and the switching off, and %.0f are needed: look at the cable and the load of this computer, and record again", math.Max(0, m.off-m.began), leastSteady)
	}
	if m.off-m.began < leastSteady {
		return m, fmt.Errorf("only %.1f s of steady running come before the switching off, and %.0f are needed: record earlier", math.Max(0, m.off-m.began), leastSteady)
	}
	return m, nil
}
