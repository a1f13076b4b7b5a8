package spectrum

import (
	"math"
	"testing"

	"counterpoise/internal/rotor"
)

func TestSineOnALineReadsItsPeak(t *testing.T) {
	for _, w := range []Window{Hann, FlatTop} {
		for _, mode := range []Mode{Linear, Exponential, PeakHold} {
			a := New(Config{Lines: 400, Window: w, Mode: mode})
			feed(setupOf(2560, rotor.Velocity), 4, sine(3, 250), a.Add)
			s := a.Latest()[0]
			if s.Step != 2.5 || len(s.Peak) != 401 {
				t.Fatalf("step %v lines %d", s.Step, len(s.Peak))
			}
			if d := s.Peak[100] - 3; !(math.Abs(d) < 1e-5) {
				t.Errorf("%v %v: %v", w, mode, s.Peak[100])
			}
		}
	}
}

// Half way between lines the flat top loses under 0.1 % (0.01 dB), the Hann
// window 15 %: the known scallop losses.
func TestScallopLoss(t *testing.T) {
	for _, c := range []struct {
		w    Window
		want float64
	}{{Hann, 0.8488}, {FlatTop, 0.9989}} {
		a := New(Config{Lines: 400, Window: c.w})
		feed(setupOf(2560, rotor.Velocity), 4, sine(1, 251.25), a.Add)
		top := 0.0
		for _, p := range a.Latest()[0].Peak {
			top = math.Max(top, p)
		}
		if !(math.Abs(top-c.want) < 1e-3) {
			t.Errorf("%v: %v", c.w, top)
		}
	}
}

func TestThinningKeepsTheAmplitude(t *testing.T) {
	for _, hz := range []float64{10, 100, 195} {
		a := New(Config{Lines: 400, MaxHz: 200, Window: FlatTop})
		feed(setupOf(25600, rotor.Velocity), 3, sine(1, hz), a.Add)
		s := a.Latest()[0]
		if got := s.Step * 400; math.Abs(got-200) > 1e-9 {
			t.Fatalf("top line at %v Hz", got)
		}
		top := 0.0
		for _, p := range s.Peak {
			top = math.Max(top, p)
		}
		if !(math.Abs(top-1) < 2e-3) {
			t.Errorf("%v Hz reads %v", hz, top)
		}
	}
	// 312..512 Hz would fold into 0..200 Hz
	a := New(Config{Lines: 400, MaxHz: 200})
	feed(setupOf(25600, rotor.Velocity), 3, sine(1, 330), a.Add)
	for k, p := range a.Latest()[0].Peak {
		if p > 1e-3 {
			t.Fatalf("line %d holds %v of what folded back", k, p)
		}
	}
}

// 100 um peak to peak at 25 Hz = 7.8540 mm/s peak = 0.8724 m/s^2 rms (exact by
// construction: v = 2 pi f x).
func TestSpectrumInAnotherQuantity(t *testing.T) {
	a := New(Config{Lines: 400})
	feed(setupOf(2560, rotor.Displacement), 3, sine(50e-6, 25), a.Add)
	s := a.Latest()[0]
	v, err := s.In(rotor.Velocity)
	if err != nil || !(math.Abs(v.Peak[10]-7.8540e-3) < 5e-7) {
		t.Errorf("%v %v", v.Peak[10], err)
	}
	acc, err := v.In(rotor.Acceleration)
	if err != nil || !(math.Abs(acc.Peak[10]/math.Sqrt2-0.8724) < 1e-4) {
		t.Errorf("%v %v", acc.Peak[10], err)
	}
	if _, err := a.Latest()[0].In(rotor.Raw); err == nil {
		t.Error("a spectrum turned into raw")
	}
}

func TestAveragerAllocatesNothing(t *testing.T) {
	a := New(Config{Lines: 400})
	s := setupOf(2560, rotor.Velocity)
	feed(s, 2, sine(1, 100), a.Add)
	if n := testing.AllocsPerRun(1, func() {}); n != 0 {
		t.Skip("the runtime allocates on its own")
	}
	b := oneBlock(s)
	if n := testing.AllocsPerRun(200, func() { a.Add(b) }); n != 0 {
		t.Errorf("%v allocations a block", n)
	}
}
