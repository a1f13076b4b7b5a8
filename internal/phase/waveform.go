package phase

import (
	"math"

	"counterpoise/internal/acq"
)

// Waveform is the averaged shape of a channel over one turn. Shape[i] is the
// mean at rotor angle i/len(Shape) of a turn after the mark, delays corrected.
type Waveform struct {
	Channel string
	Turns   int
	Shape   []float64
}

// Shapes averages the samples of whole turns against the rotor angle. It is fed
// with the same blocks as an Extractor, after it, and with the turns that come
// of them.
type Shapes struct {
	points int
	keep   float64 // share of a new turn in the average; 0 = all turns alike
	setup  *acq.Setup
	buf    [][]float32
	start  float64 // board time of buf[.][0]
	rate   float64
	first  uint64
	any    bool
	sum    [][]float64
	turns  int
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
	s.turns = 0
	for _, x := range s.sum {
		clear(x)
	}
}

// Add keeps the samples of a block. Call it before Extractor.Add.
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
	s.sum = make([][]float64, len(b.Samples))
	for c := range s.sum {
		s.sum[c] = make([]float64, s.points)
	}
	s.turns = 0
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
	s.turns++
	k := math.Max(s.keep, 1/float64(s.turns))
	for i := range s.points {
		at := t.timeOf((float64(i) + 0) / float64(s.points))
		for c, x := range s.buf {
			pos := (t.Tick + at + s.setup.TachDelay + t.shape.delay(c) - s.start) * s.rate
			j := int(math.Floor(pos))
			if j < 0 || j+1 >= len(x) {
				continue
			}
			f := pos - float64(j)
			v := float64(x[j])*(1-f) + float64(x[j+1])*f
			s.sum[c][i] += (v - s.sum[c][i]) * k
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
	if s.turns == 0 {
		return nil
	}
	out := make([]Waveform, len(s.sum))
	for c := range out {
		out[c] = Waveform{Channel: s.setup.Channels[c].Name, Turns: s.turns, Shape: append([]float64(nil), s.sum[c]...)}
	}
	return out
}
