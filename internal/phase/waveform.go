package phase

import (
	"math"
	"slices"

	"counterpoise/internal/acq"
)

// Waveform is the averaged shape of a channel over one turn. Shape[i] is the
// mean at rotor angle i/len(Shape) of a turn from the mark, delays corrected; NaN
// where no turn held one.
type Waveform struct {
	Channel string
	Turns   int // averaged; fewer than of other channels where some were clipped or held no numbers
	Shape   []float64
}

// Shapes averages the samples of whole turns against the rotor angle. It takes
// every block before an Extractor does, and then the turns that come of it.
// Between samples it follows the straight line: a harmonic of m samples a period
// comes out low by a share of 3.3/m^2.
type Shapes struct {
	points int
	keep   float64 // share of a new turn in the average; 0 = all turns alike
	setup  *acq.Setup
	buf    [][]float32
	start  float64 // board time of buf[.][0]
	rate   float64
	first  uint64
	any    bool
	ch     []shapeSum
}

// shapeSum is the average of a channel, and of how many turns each point is.
type shapeSum struct {
	mean []float64
	n    []int
}

// shapeSeconds is how much signal is kept for turns still to come.
const shapeSeconds = 4

// NewShapes averages on points angles; turns is the time constant in turns, 0
// for a plain mean.
func NewShapes(points, turns int) *Shapes {
	s := &Shapes{points: max(8, points)}
	if turns > 0 {
		s.keep = 1 / float64(turns)
	}
	return s
}

// Reset begins the average anew.
func (s *Shapes) Reset() {
	for _, c := range s.ch {
		clear(c.mean)
		clear(c.n)
	}
}

// Add keeps the samples of a block, for the turns that Extractor.Add will make of it.
func (s *Shapes) Add(b *acq.Block) {
	if b == nil || b.Setup == nil || len(b.Samples) != len(b.Setup.Channels) || b.Len() == 0 {
		return
	}
	for _, x := range b.Samples {
		if len(x) != b.Len() {
			return
		}
	}
	if s.setup != b.Setup {
		s.prepare(b)
	}
	if b.Gap != acq.NoLoss {
		s.forget(len(s.buf[0]))
	}
	hz := b.Setup.TickHz
	if !(hz > 0) {
		hz = s.rate
	}
	s.start = float64(int64(b.Tick-s.first))/hz - float64(len(s.buf[0]))/s.rate
	for c := range s.buf {
		s.buf[c] = append(s.buf[c], b.Samples[c]...)
	}
	if most := int(shapeSeconds * s.rate); len(s.buf[0]) > 2*most {
		s.forget(len(s.buf[0]) - most)
	}
}

func (s *Shapes) prepare(b *acq.Block) {
	if !s.any {
		s.first, s.any = b.Tick, true
	}
	s.setup, s.rate = b.Setup, b.Setup.Rate
	s.buf = make([][]float32, len(b.Samples))
	s.ch = make([]shapeSum, len(b.Samples))
	for c := range s.ch {
		s.ch[c] = shapeSum{make([]float64, s.points), make([]int, s.points)}
	}
}

func (s *Shapes) forget(n int) {
	for c, x := range s.buf {
		s.buf[c] = x[:copy(x, x[n:])]
	}
	s.start += float64(n) / s.rate
}

// Turn adds the samples of an accepted turn, interpolated to even angles; the
// angle is quadratic in time between the marks.
func (s *Shapes) Turn(t *Turn) {
	if s.setup == nil || t.shape == nil || t.shape.setup != s.setup {
		return
	}
	for i := range s.points {
		share := float64(i)/float64(s.points) - s.setup.TachAngle/(2*math.Pi)
		at := t.timeOf(share - math.Floor(share))
		for c, x := range s.buf {
			pos := (t.Tick + at + s.setup.TachDelay + t.shape.delay(c) - s.start) * s.rate
			j := int(math.Floor(pos))
			if t.bad[c] || j < 0 || j+1 >= len(x) {
				continue
			}
			f := pos - float64(j)
			v := float64(x[j])*(1-f) + float64(x[j+1])*f
			if sum := &s.ch[c]; v-v == 0 {
				sum.n[i]++
				sum.mean[i] += (v - sum.mean[i]) * math.Max(s.keep, 1/float64(sum.n[i]))
			}
		}
	}
}

// timeOf is the time in s after the turn's start at which the rotor is at a
// share of the turn, with the turn's acceleration.
func (t *Turn) timeOf(share float64) float64 {
	x := share * t.Seconds
	// theta(x) - 2 pi share = -accel/2 x (T - x): one Newton step from the line
	return x + t.Accel/2*x*(t.Seconds-x)/t.Speed
}

// Latest returns the shapes, one per channel; nil before the first turn.
func (s *Shapes) Latest() []Waveform {
	out := make([]Waveform, len(s.ch))
	most := 0
	for c, sum := range s.ch {
		out[c] = Waveform{Channel: s.setup.Channels[c].Name, Turns: slices.Max(sum.n), Shape: slices.Clone(sum.mean)}
		most = max(most, out[c].Turns)
		for i, n := range sum.n {
			if n == 0 {
				out[c].Shape[i] = math.NaN()
			}
		}
	}
	if most == 0 {
		return nil
	}
	return out
}
