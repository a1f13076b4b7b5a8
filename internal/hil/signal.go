package hil

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Signal is a sine on every pin and a mark that passes once in its period: the
// simplest rotor, of which everything is known.
type Signal struct {
	Hz       float64
	Steps    [channels]float64 // peak, in steps of the converter (5 V / 1024)
	PhaseDeg [channels]float64 // ahead of the mark's passing
	Noise    float64           // steps rms of every sample
	RC       float64           // Hz, corner of the anti-alias filter; 0 = none
}

func triple(v [channels]float64) string {
	return strings.Trim(strings.ReplaceAll(fmt.Sprint(v), " ", ","), "[]")
}

// Options are the emulator's for this signal.
func (s Signal) Options() []string {
	volts := s.Steps
	for i := range volts {
		volts[i] *= 5.0 / 1024
	}
	return []string{"--speed", fmt.Sprint(s.Hz), "--volts", triple(volts), "--phase", triple(s.PhaseDeg), "--noise", fmt.Sprint(s.Noise), "--rc", fmt.Sprint(s.RC)}
}

// True is the peak phasor that a reading of pin c should be, in steps.
func (s Signal) True(c int) complex128 { return cmplx.Rect(s.Steps[c], s.PhaseDeg[c]*math.Pi/180) }

// Follow opens a board and hands its blocks to each until seconds of its time
// have come.
func Follow(ctx context.Context, source string, seconds float64, each func(*acq.Block)) (acq.Counts, error) {
	src, err := acq.Open(source, acq.Options{Queue: 1 << 14})
	if err != nil {
		return acq.Counts{}, err
	}
	defer src.Close()
	first := math.Inf(1)
	for {
		b, err := src.Next(ctx)
		if err != nil {
			return src.Counts(), err
		}
		each(b)
		at := float64(b.Tick)/b.Setup.TickHz + float64(b.Len())/b.Setup.Rate
		first = min(first, at)
		if at-first >= seconds {
			return src.Counts(), nil
		}
	}
}

// Fidelity is what the board made of one pin of a Signal.
type Fidelity struct {
	Turns       int
	Dropped     int
	BiasDeg     float64 // mean phase of all turns against the truth
	BiasSE      float64 // its standard error, deg
	TurnDeg     float64 // scatter of single turns, deg
	ScatterDeg  float64 // scatter of readings of 250 turns, deg; NaN below 3 readings
	Amplitude   float64 // mean over true, less 1
	AmplitudeSE float64
	Worst       float64 // the turn farthest from the truth, as a part of the amplitude
}

// Trial is what came of a Signal that ran through the board.
type Trial struct {
	Pins      [channels]Fidelity
	Counts    acq.Counts
	Truth     Truth
	Samples   Account
	Edges     Account
	Trusted   bool              // the reading over all turns
	Off       [channels]float64 // how far that reading is from the truth, as a part of it
	Wraps     int               // of the 32-bit tick between the first and the last block
	FrameSeqs uint64            // frames between them, by the host's count: beyond 65,536 the sequence number has wrapped
}

// Account balances what the board numbered.
type Account struct{ Numbered, Delivered, Lost uint64 }

// Balanced reports whether nothing is unaccounted for.
func (a Account) Balanced() bool { return a.Numbered == a.Delivered+a.Lost }

// Reads is the number of turns in one reading of a Fidelity.
const Reads = 250

// Try runs a signal through the board for some seconds of its time and compares
// what comes out with what went in. more are further options of the emulator.
func (b Build) Try(ctx context.Context, s Signal, seconds float64, more ...string) (Trial, error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	e, err := b.Emulate(ctx, append(s.Options(), more...)...)
	if err != nil {
		return Trial{}, err
	}
	var out Trial
	x, avg := phase.NewExtractor(phase.Config{}), phase.NewAverage(phase.AverageConfig{})
	var turns [channels][]complex128
	var setup *acq.Setup
	l := ledger{}
	counts, err := Follow(ctx, "serial:"+e.Port, seconds, func(blk *acq.Block) {
		setup = blk.Setup
		l.add(blk)
		x.Add(blk, func(t *phase.Turn) {
			avg.Add(t)
			for c := range turns {
				v, _ := t.Value(c, 1)
				turns[c] = append(turns[c], v*complex(1/blk.Setup.Channels[c].Scale, 0))
			}
		})
	})
	truth, ended := e.End()
	if err == nil {
		err = ended
	}
	if err != nil {
		return out, err
	}
	out.Counts, out.Truth, out.Samples, out.Edges = counts, truth, l.samples, l.edges
	out.Wraps, out.FrameSeqs = int(l.lastTick>>32-l.firstTick>>32), counts.Frames
	r := avg.Reading()
	out.Trusted = r.Trusted()
	for c := range out.Pins {
		out.Pins[c] = fidelity(turns[c], s.True(c))
		for _, n := range x.Dropped() {
			out.Pins[c].Dropped += int(n)
		}
		if o, ok := r.In(c, 1, rotor.Acceleration); ok {
			out.Off[c] = cmplx.Abs(o.Value/complex(setup.Channels[c].Scale, 0)/s.True(c) - 1)
		}
	}
	return out, nil
}

// ledger keeps the account over blocks.
type ledger struct {
	begun               bool
	firstTick, lastTick uint64
	firstSample         uint64
	hasEdge             bool
	firstEdge           uint64
	samples, edges      Account
}

func (l *ledger) add(b *acq.Block) {
	if !l.begun {
		l.begun, l.firstTick, l.firstSample = true, b.Tick, b.Sample
	} else {
		l.samples.Lost += b.Lost
		l.edges.Lost += b.LostEdges
	}
	l.lastTick = b.Tick
	l.samples.Delivered += uint64(b.Len())
	l.samples.Numbered = b.Sample + uint64(b.Len()) - l.firstSample
	for _, e := range b.Edges {
		if !l.hasEdge {
			l.hasEdge, l.firstEdge = true, e.Number
			l.edges.Lost = 0
		}
		l.edges.Delivered++
		l.edges.Numbered = e.Number + 1 - l.firstEdge
	}
}

func fidelity(turns []complex128, truth complex128) Fidelity {
	f := Fidelity{Turns: len(turns), ScatterDeg: math.NaN()}
	var phases, lengths, readings []float64
	var sum complex128
	for i, v := range turns {
		v /= truth
		f.Worst = max(f.Worst, cmplx.Abs(v-1))
		phases, lengths = append(phases, cmplx.Phase(v)*180/math.Pi), append(lengths, real(v)-1)
		if sum += v; (i+1)%Reads == 0 {
			readings = append(readings, cmplx.Phase(sum)*180/math.Pi)
			sum = 0
		}
	}
	root := math.Sqrt(float64(len(turns)))
	f.BiasDeg, f.TurnDeg = meanSD(phases)
	f.BiasSE = f.TurnDeg / root
	var sd float64
	f.Amplitude, sd = meanSD(lengths)
	f.AmplitudeSE = sd / root
	if len(readings) >= 3 {
		_, f.ScatterDeg = meanSD(readings)
	}
	return f
}

func meanSD(v []float64) (mean, sd float64) {
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		sd += (x - mean) * (x - mean) / float64(len(v)-1)
	}
	return mean, math.Sqrt(sd)
}

// Velocity is the 1x velocity of a channel in m/s peak and the standard error
// of each of its axes.
func Velocity(r *phase.Reading, channel int) (complex128, float64) {
	c, _ := r.In(channel, 1, rotor.Velocity)
	return c.Value, c.StandardError()
}
