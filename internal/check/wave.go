package check

import (
	"fmt"
	"math"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
)

// Hearing listens to one test wave of the board until enough turns of it have
// come. What was on the way when the wave was asked for is left out: it waits
// until the tach's edges come in the wave's period. One goroutine feeds it.
type Hearing struct {
	period  float64 // s
	turns   int
	setup   *acq.Setup
	single  acq.Setup // the same with one edge a turn: the wave has no marks to share a turn
	begun   bool
	first   float64 // s of board time
	last    float64 // newest edge
	number  uint64
	fitting int // edges in a row that came a period after the one before
	x       *phase.Extractor
	average *phase.Average
}

const (
	edgesBefore  = 3
	periodWithin = 2e-3 // of a period: the edge of a comparator may jitter
	waveComes    = 5.0  // s of board time, the longest that is waited for it
)

// NewHearing waits for turns of a wave of the given period in s.
func NewHearing(period float64, turns int) *Hearing {
	return &Hearing{period: period, turns: turns}
}

// Add takes the next block and says when enough has come. The error tells that
// the wave does not reach the tach.
func (h *Hearing) Add(b *acq.Block) (done bool, err error) {
	start := float64(b.Tick) / b.Setup.TickHz
	if !h.begun {
		h.begun, h.first = true, start
	}
	if b.Setup != h.setup || b.Gap != acq.NoLoss {
		h.setup, h.fitting, h.x = b.Setup, 0, nil
		h.single = *b.Setup
		h.single.PulsesPerTurn = 1
	}
	if h.x != nil {
		one := *b
		one.Setup = &h.single
		h.x.Add(&one, func(t *phase.Turn) { h.average.Add(t) })
	}
	for _, e := range b.Edges {
		at := start + e.Pos/b.Setup.Rate
		if e.Number == h.number+1 && math.Abs(at-h.last-h.period) < periodWithin*h.period+2/b.Setup.TickHz {
			h.fitting++
		} else {
			h.fitting, h.x = 0, nil
		}
		h.last, h.number = at, e.Number
	}
	if h.x == nil && h.fitting >= edgesBefore {
		h.x, h.average = phase.NewExtractor(phase.Config{}), phase.NewAverage(phase.AverageConfig{Method: phase.Equal})
	}
	if h.x != nil && h.average.Turns() >= h.turns {
		return true, nil
	}
	if h.x == nil && start-h.first > waveComes {
		return false, fmt.Errorf("no tach edges come in the period of the test wave, %.4g ms: put the loop plugs, which lead the test pin to the tach and to all inputs, into the sockets of sensors and head (hw/README.md)", 1e3*h.period)
	}
	return false, nil
}

// Tone is what was heard.
func (h *Hearing) Tone() Tone {
	return ToneOf(h.average.Reading())
}

// ToneOf takes the first order of all channels out of a reading.
func ToneOf(r phase.Reading) Tone {
	t := Tone{Omega: r.Speed}
	for i, c := range r.Channels {
		o, _ := r.In(i, 1, c.Quantity)
		t.Value, t.SE = append(t.Value, o.Value), append(t.SE, o.StandardError())
	}
	return t
}

// waveHz are the speeds at which a board listens to its own wave: those of fans,
// where the delays matter, no two of them in a simple ratio.
var waveHz = []float64{17, 23, 31, 41, 53, 67, 83}

// WaveTurns are enough of each: with a wave that fills the converter's range the
// delay is then known to less than a microsecond.
const WaveTurns = 64

// WavePeriods are the periods in s to ask a board of this sample rate for. None
// is near a whole number of samples: what a square wave has above half the
// sample rate would then fold onto its first order and stay there.
func WavePeriods(rate float64) []float64 {
	var out []float64
	for _, hz := range waveHz {
		out = append(out, (math.Floor(rate/hz)+0.382)/rate)
	}
	return out
}
