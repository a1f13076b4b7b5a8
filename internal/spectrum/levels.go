package spectrum

import (
	"math"
	"slices"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// Level is the broad-band vibration of one channel, SI.
type Level struct {
	Channel  string
	Quantity rotor.Quantity
	// In the channel's own quantity, mean removed, no band limit.
	RMS, Peak, Crest float64
	// In the measuring band; NaN for a raw channel and where the sampling is too slow for the band.
	Velocity     float64 // rms, m/s
	Acceleration float64 // rms, m/s^2
	Displacement float64 // peak to peak, m
	Low, High    float64 // Hz, nominal edges of the band
	Seconds      float64 // of signal behind the figures
	NearEdge     bool    // the running speed stands on the lower edge: 1x reads low in Velocity
}

// LevelsConfig says how Levels measures. The zero value takes everything since
// Reset, from 10 Hz.
type LevelsConfig struct {
	Seconds float64 // time constant of a running average, and what peaks look back at least; 0 = all since Reset
	Speed   float64 // rad/s, nominal; below 600 rpm the band begins at 2 Hz
}

// Levels measures broad-band vibration live. One goroutine feeds it.
type Levels struct {
	cfg   LevelsConfig
	setup *acq.Setup
	low   float64
	ch    []level
}

type level struct {
	vel, acc, dis band
	edge          float64
	mean          float64  // beside offset
	raw, v, a     float64  // running mean squares
	ends          extremes // of the samples, less offset
	disEnds       extremes // of the displacement
	offset        float64  // near the mean, so that small numbers are added
	settled       bool
	skip          int     // samples until the filters have forgotten how they began
	n             float64 // samples behind the figures
	since         float64 // samples in the present stretch of ends
}

// extremes are the ends of a signal in the present stretch of time and in the one
// before it: a knock is forgotten after one to two stretches.
type extremes struct{ lo, hi, oldLo, oldHi float64 }

func newExtremes() extremes {
	return extremes{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}
}

func (e *extremes) add(x float64) { e.lo, e.hi = math.Min(e.lo, x), math.Max(e.hi, x) }

func (e *extremes) turn() {
	lo, hi := e.lo, e.hi
	*e = newExtremes()
	e.oldLo, e.oldHi = lo, hi
}

func (e *extremes) low() float64  { return math.Min(e.lo, e.oldLo) }
func (e *extremes) high() float64 { return math.Max(e.hi, e.oldHi) }

// leastRate is the least sampling rate over the lower edge of the band that
// leaves an octave of it.
const leastRate = 6

// Slow reports whether a machine that runs at speed (rad/s) is measured from 2 Hz
// instead of 10 Hz on; false where the speed is not known.
func Slow(speed float64) bool { return speed > 0 && rotor.RPM(speed) < slowRPM }

// NewLevels makes a Levels.
func NewLevels(cfg LevelsConfig) *Levels { return &Levels{cfg: cfg} }

// Reset begins the figures anew; the filters go on.
func (l *Levels) Reset() {
	for i := range l.ch {
		c := &l.ch[i]
		c.n, c.since = 0, 0
		c.mean, c.raw, c.v, c.a = 0, 0, 0, 0
		c.ends, c.disEnds = newExtremes(), newExtremes()
	}
}

// Add takes the next block. After a gap the filters settle anew.
func (l *Levels) Add(b *acq.Block) {
	if b == nil || b.Setup == nil || b.Len() == 0 || len(b.Samples) != len(b.Setup.Channels) || !(b.Setup.Rate > 0) {
		return
	}
	if l.setup != b.Setup {
		l.prepare(b.Setup)
		l.Reset()
	}
	for _, x := range b.Samples {
		if len(x) != b.Len() {
			return
		}
	}
	for i := range l.ch {
		c := &l.ch[i]
		if b.Gap != acq.NoLoss || !allFinite(b.Samples[i]) {
			c.settled, c.skip = false, l.settling()
		}
		if !allFinite(b.Samples[i]) { // concerns this channel alone
			continue
		}
		skip := min(c.skip, b.Len())
		c.add(b.Samples[i], skip, l.forget(), l.stretch())
		c.skip -= skip
	}
}

func (l *Levels) forget() float64 {
	if l.cfg.Seconds > 0 {
		return math.Min(1, 1/(l.cfg.Seconds*l.setup.Rate))
	}
	return 0
}

// stretch is after how many samples extremes begin anew; infinite where they never do.
func (l *Levels) stretch() float64 {
	if l.cfg.Seconds > 0 {
		return math.Max(1, math.Round(l.cfg.Seconds*l.setup.Rate))
	}
	return math.Inf(1)
}

func (l *Levels) prepare(s *acq.Setup) {
	l.setup = s
	l.low = lowEdge
	if Slow(l.cfg.Speed) {
		l.low = slowEdge
	}
	l.ch = make([]level, len(s.Channels))
	for i := range l.ch {
		c := &l.ch[i]
		q := s.Channels[i].Quantity
		if q == rotor.Raw {
			continue
		}
		if leastRate*l.low > s.Rate || math.IsInf(s.Rate, 0) { // no band is left between its edges
			continue
		}
		c.vel, c.edge = newBand(q, rotor.Velocity, l.low, s.Rate)
		c.acc, _ = newBand(q, rotor.Acceleration, l.low, s.Rate)
		c.dis, _ = newBand(q, rotor.Displacement, l.low, s.Rate)
	}
	for i := range l.ch {
		l.ch[i].skip = l.settling()
	}
}

// settling is how many samples the filters need to start from what comes next.
// Three time constants of the slowest pole bring the start of a vibration below a
// percent.
func (l *Levels) settling() int {
	return int(6 / (2 * math.Pi * l.low * edgeShare / 2) * l.setup.Rate)
}

func (c *level) add(x []float32, skip int, forget, stretch float64) {
	if !c.settled {
		c.settle(x)
	}
	banded := c.edge > 0
	for i, s := range x {
		f := float64(s)
		var v, a, d float64
		if banded {
			v, a, d = c.vel.step(f), c.acc.step(f), c.dis.step(f)
		}
		if i < skip {
			continue
		}
		if c.since >= stretch {
			c.ends.turn()
			c.disEnds.turn()
			c.since = 0
		}
		c.since++
		c.n++
		k := math.Max(forget, 1/c.n)
		c.mean += (f - c.offset - c.mean) * k
		c.raw += ((f-c.offset)*(f-c.offset) - c.raw) * k
		c.v += (v*v - c.v) * k
		c.a += (a*a - c.a) * k
		c.ends.add(f - c.offset)
		c.disEnds.add(d)
	}
}

func (c *level) settle(x []float32) {
	sum := 0.0
	for _, s := range x {
		sum += float64(s)
	}
	mean := sum / float64(len(x))
	if c.n == 0 { // else the figures so far are counted from it
		c.offset = mean
	}
	c.settled = true
	if c.edge > 0 {
		c.vel.settle(mean)
		c.acc.settle(mean)
		c.dis.settle(mean)
	}
}

// Latest returns the figures, one per channel; nil while the filters settle. A
// channel that has held no numbers so far has NaN for all of them.
func (l *Levels) Latest() []Level {
	if !slices.ContainsFunc(l.ch, func(c level) bool { return c.n > 0 }) {
		return nil
	}
	out := make([]Level, len(l.ch))
	for i := range out {
		c, ch := &l.ch[i], l.setup.Channels[i]
		o := Level{Channel: ch.Name, Quantity: ch.Quantity, Low: l.low, High: c.edge, Seconds: c.n / l.setup.Rate}
		if c.n == 0 {
			nan := math.NaN()
			o.RMS, o.Peak, o.Crest, o.Velocity, o.Acceleration, o.Displacement = nan, nan, nan, nan, nan, nan
			out[i] = o
			continue
		}
		o.RMS = math.Sqrt(math.Max(0, c.raw-c.mean*c.mean))
		o.Peak = math.Max(c.ends.high()-c.mean, c.mean-c.ends.low())
		if o.RMS > 0 {
			o.Crest = o.Peak / o.RMS
		}
		o.Velocity, o.Acceleration, o.Displacement = math.NaN(), math.NaN(), math.NaN()
		if c.edge > 0 {
			o.Velocity, o.Acceleration, o.Displacement = math.Sqrt(c.v), math.Sqrt(c.a), c.disEnds.high()-c.disEnds.low()
			hz := l.cfg.Speed / (2 * math.Pi)
			o.NearEdge = hz > 0 && hz < 1.3*l.low && hz > l.low/2
		}
		out[i] = o
	}
	return out
}
