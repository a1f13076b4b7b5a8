package spectrum

import (
	"math"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// The band filter against what ISO 2954 asks: relative sensitivity 0.8..1.1 at
// 10 and 1000 Hz, 0.9..1.1 from 20 to 500 Hz, 1.0 at 80 Hz (table of the
// edition of 1975, from memory), and against the exact third-order shape.
func TestBandGain(t *testing.T) {
	for _, rate := range []float64{2560, 5000, 6400, 25600, 51200, 192000} {
		f, edge := newBand(rotor.Velocity, rotor.Velocity, 10, rate)
		worst := 0.0
		for hz := 5.0; hz <= edge; hz *= 1.02 {
			want := 1 / math.Sqrt(1+math.Pow(8.6/hz, 6)) / math.Sqrt(1+math.Pow(hz*0.86/edge, 6))
			worst = math.Max(worst, math.Abs(f.gain(hz, rate)/want-1))
		}
		limit := 1e-3
		if rate < 5000 {
			limit = 5e-2 // the band ends near half the rate: no short filter follows it
		}
		t.Logf("%v S/s: edge %v Hz, worst %.2g", rate, edge, worst)
		if !(worst < limit) {
			t.Errorf("%v S/s: gain off by %v", rate, worst)
		}
		// What the corrector does in the band it must not pay for outside.
		for hz := edge; hz < 0.49*rate; hz *= 1.02 {
			if g := f.gain(hz, rate); !(g < 2*math.Pow(edge/0.86/hz, 3)) && hz > 1.3*edge {
				t.Errorf("%v S/s: gain %v at %v Hz, outside the band", rate, g, hz)
				break
			}
		}
		if edge < 1000 {
			continue
		}
		ref := f.gain(80, rate)
		for _, c := range []struct{ hz, lo, hi float64 }{{10, .8, 1.1}, {20, .9, 1.1}, {40, .9, 1.1}, {80, 1, 1}, {160, .9, 1.1}, {500, .9, 1.1}, {1000, .8, 1.1}} {
			if g := f.gain(c.hz, rate) / ref; !(g >= c.lo && g <= c.hi) {
				t.Errorf("%v S/s, %v Hz: %v outside %v..%v", rate, c.hz, g, c.lo, c.hi)
			}
		}
	}
}

// A third-order Butterworth high-pass at 10 Hz has these gains (exact:
// 1/sqrt(1+(f1/f)^6)); ours cuts at 8.6 Hz, so the same gains stand at 0.86 f.
func TestBandShape(t *testing.T) {
	f, _ := newBand(rotor.Velocity, rotor.Velocity, 10, 25600)
	for hz, want := range map[float64]float64{5: 0.1240, 10: 0.7071, 12.5: 0.8901, 16: 0.9715, 20: 0.9923, 40: 0.9999} {
		if g := f.gain(hz*0.86, 25600); !(math.Abs(g-want) < 4e-4) {
			t.Errorf("%v Hz: %v, want %v", hz, g, want)
		}
	}
}

// The unit chain: 100 um peak to peak at 25 Hz is 5.5536 mm/s rms and 0.8724
// m/s^2 rms (exact by construction), less what the band takes at 25 Hz.
func TestLevelsOfASine(t *testing.T) {
	band := 1 / math.Sqrt(1+math.Pow(8.6/25, 6))
	for _, c := range []struct {
		q         rotor.Quantity
		amplitude float64
		offset    float64
	}{{rotor.Acceleration, 0.8724 * math.Sqrt2, 9.81}, {rotor.Velocity, 7.8540e-3, 0.01}, {rotor.Displacement, 50e-6, 1e-3}} {
		l := NewLevels(LevelsConfig{Speed: rotor.RadPerSecond(1500)})
		wave := sine(c.amplitude, 25)
		feed(setupOf(6400, c.q), 5, func(t float64) float64 { return c.offset + wave(t) }, l.Add)
		o := l.Latest()[0]
		const tol = 3e-4
		if !(math.Abs(o.Velocity/(5.5536e-3*band)-1) < tol) {
			t.Errorf("%v: velocity %v", c.q, o.Velocity)
		}
		if !(math.Abs(o.Acceleration/(0.8724*band)-1) < tol) {
			t.Errorf("%v: acceleration %v", c.q, o.Acceleration)
		}
		if !(math.Abs(o.Displacement/(100e-6*band)-1) < 3e-3) {
			t.Errorf("%v: displacement %v", c.q, o.Displacement)
		}
		if c.q == rotor.Acceleration && !(math.Abs(o.Crest-math.Sqrt2) < 0.01) {
			t.Errorf("crest %v", o.Crest)
		}
	}
}

func TestSlowMachineBeginsAtTwoHertz(t *testing.T) {
	for rpm, want := range map[float64]float64{599: 2, 601: 10, 0: 10} {
		l := NewLevels(LevelsConfig{Speed: rotor.RadPerSecond(rpm)})
		feed(setupOf(2560, rotor.Velocity), 6, sine(1, 5), l.Add)
		o := l.Latest()[0]
		if o.Low != want {
			t.Errorf("%v rpm: band from %v Hz", rpm, o.Low)
		}
		if got := o.Velocity * math.Sqrt2; (want == 2) != (got > 0.9) {
			t.Errorf("%v rpm: 5 Hz reads %v", rpm, got)
		}
	}
}

// The peak stands on the mean of the signal, not on that of the first block, which
// may hold a small part of a period; a gap does not move it.
func TestPeakOfShortBlocks(t *testing.T) {
	s := setupOf(25000, rotor.Acceleration)
	l := NewLevels(LevelsConfig{})
	for from := 0; from < 3*25000; from += 25 {
		x := make([]float32, 25)
		for i := range x {
			x[i] = float32(9.81 + 2*math.Cos(2*math.Pi*25*float64(from+i)/25000))
		}
		b := &acq.Block{Setup: s, Tick: uint64(from), Samples: [][]float32{x}}
		if from == 2*25000+250 {
			b.Gap = acq.LostFrames
		}
		l.Add(b)
	}
	o := l.Latest()[0]
	// not a whole number of periods: the mean is off by up to 1/(pi periods)
	if !(math.Abs(o.Peak-2) < 0.02) || !(math.Abs(o.RMS-math.Sqrt2) < 2e-3) || !(math.Abs(o.Crest-math.Sqrt2) < 0.02) {
		t.Errorf("peak %v, rms %v, crest %v of a sine of 2", o.Peak, o.RMS, o.Crest)
	}
}

// In running levels a knock is forgotten after two time constants; it shows until
// one has gone by. Levels of everything keep it.
func TestAKnockIsForgotten(t *testing.T) {
	wave := sine(1, 25)
	for _, c := range []struct {
		seconds, after float64
		peak           float64
	}{{2, 1, 50}, {2, 4.5, 1}, {0, 4.5, 50}} {
		l := NewLevels(LevelsConfig{Seconds: c.seconds})
		feed(setupOf(2560, rotor.Acceleration), 3+c.after, func(t float64) float64 {
			if math.Abs(t-3) < 0.2/2560 {
				return 50
			}
			return wave(t)
		}, l.Add)
		o := l.Latest()[0]
		if !(math.Abs(o.Peak/c.peak-1) < 0.03) || (o.Crest > 2) != (c.peak > 1) {
			t.Errorf("%v s after the knock, time constant %v s: peak %v, crest %v", c.after, c.seconds, o.Peak, o.Crest)
		}
	}
}
