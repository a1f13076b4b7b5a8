package check

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// record is a made-up board of two channels at a sine of 25 Hz, and what is the
// matter with it.
type record struct {
	steps, noise      float64 // of the converter
	jitter            float64 // s
	miss, double      float64 // chance of an edge
	lose              float64 // chance of a block of 20 samples
	clip              float64 // steps; 0 = far
	stuck             int     // mask of a bit that never rises
	mains, half, slow float64 // steps: 50 Hz, half order, drift over the record
	skew              float64 // s by which channel B lags; the board states 100 us
	broad             float64 // steps rms of a shared broadband motion
	blow              int     // channel that is struck, from 1
	dead, noTach      bool
	machine           Machine
	counts            acq.Counts
	pulse             *acq.Pulse
}

const (
	rate  = 2000.0
	hz    = 23.7
	scale = 0.016
)

func (r record) page(t *testing.T) Page {
	t.Helper()
	rng := rand.New(rand.NewPCG(11, 12))
	s := &acq.Setup{Source: "test", Board: "test 1.0", Rate: rate, TickHz: rate, HasTach: !r.noTach, PulsesPerTurn: 1}
	for i, n := range []string{"A", "B"} {
		s.Channels = append(s.Channels, acq.Channel{Name: n, Quantity: rotor.Acceleration, Scale: scale, Step: scale, FullScale: 511 * scale, Delay: float64(i) * 100e-6})
	}
	var edges []float64
	for k := 0; k < 400; k++ {
		if rng.Float64() >= r.miss {
			edges = append(edges, float64(k)/hz+r.jitter*rng.NormFloat64())
			if rng.Float64() < r.double {
				edges = append(edges, float64(k)/hz+0.002)
			}
		}
	}
	// shared broadband motion as a sum of sines, so that it can be delayed
	var freq, phase [60]float64
	for i := range freq {
		freq[i], phase[i] = 30+700*rng.Float64(), 2*math.Pi*rng.Float64()
	}
	motion := func(at float64) float64 {
		v := r.steps*math.Cos(2*math.Pi*hz*at) + r.mains*math.Cos(2*math.Pi*50*at) + r.half*math.Cos(math.Pi*hz*at)
		for i := range freq {
			v += r.broad * math.Sqrt(2.0/60) * math.Cos(2*math.Pi*freq[i]*at+phase[i])
		}
		return v
	}
	x := New(r.machine)
	const n, block = 24000, 20
	number, lost := uint64(0), uint64(0)
	for at := 0; at < n; at += block {
		b := &acq.Block{Setup: s, Tick: uint64(at), Sample: uint64(at), Lost: lost, Samples: [][]float32{make([]float32, block), make([]float32, block)}}
		if lost > 0 {
			b.Gap = acq.LostFrames
		}
		for c := range 2 {
			for i := range block {
				when := float64(at+i)/rate - r.skew*float64(c)
				v := motion(when) + r.noise*rng.NormFloat64() + r.slow*float64(at)/n
				if r.blow == c+1 && (at/block)%400 == 200 && i < 3 {
					v += 300
				}
				code := int(math.Floor(v)) + 512
				if r.clip > 0 {
					code = min(max(code, 512-int(r.clip)), 512+int(r.clip))
				}
				code = min(max(code, 0), 1023) &^ r.stuck
				if r.dead && c == 1 {
					code = 600
				}
				b.Samples[c][i] = float32(float64(code-512) * scale)
			}
		}
		for len(edges) > 0 && edges[0]*rate < float64(at+block) && !r.noTach {
			b.Edges = append(b.Edges, acq.Edge{Pos: edges[0]*rate - float64(at), Number: number})
			edges = edges[1:]
			number++
		}
		if rng.Float64() < r.lose {
			lost += block
			continue
		}
		lost = 0
		x.Add(b)
	}
	if r.pulse != nil {
		x.Pulse(*r.pulse)
	}
	return x.Page(r.counts)
}

func (p Page) find(code, subject string) (Finding, bool) {
	for _, f := range p.Findings {
		if f.Code == code && f.Subject == subject {
			return f, true
		}
	}
	return Finding{}, false
}

func good() record { return record{steps: 100, noise: 0.6, jitter: 20e-6} }

func TestGoodBoardIsFit(t *testing.T) {
	p := good().page(t)
	for _, f := range p.Findings {
		if f.Verdict == Note || f.Verdict == Unfit {
			t.Errorf("%+v", f)
		}
		if (f.Remedy == "") != (f.Verdict == OK) {
			t.Errorf("%s: verdict %s with remedy %q", f.Code, f.Verdict, f.Remedy)
		}
	}
	if !p.Fit || p.SpeedRPM == nil || !(math.Abs(*p.SpeedRPM-60*hz) < 0.2) {
		t.Errorf("fit %v at %v rpm: %s", p.Fit, p.SpeedRPM, p.Why)
	}
}

// TestEachFaultIsNamed plants one fault at a time. The verdict, and where the
// fault has a size, the figure must be right.
func TestEachFaultIsNamed(t *testing.T) {
	for _, c := range []struct {
		name, code, subject string
		plant               func(*record)
		want                Verdict
		value, within       float64 // within 0 = not compared
	}{
		{"lost blocks", "lost", "link", func(r *record) { r.lose = 0.05 }, Unfit, 0.05, 0.02},
		{"no tach", "tach", "tach", func(r *record) { r.noTach = true }, Unfit, 0, 0},
		{"missed edges", "tach_missed", "tach", func(r *record) { r.miss = 0.2 }, Unfit, 0, 0},
		{"doubled edges", "tach_double", "tach", func(r *record) { r.double = 0.05 }, Note, 0, 0},
		{"every other edge missing", "turns", "tach", func(r *record) { r.miss = 0.4 }, Unfit, 0, 0},
		{"one revolution in eight lost", "turns", "tach", func(r *record) { r.lose = 0.03 }, Note, 0, 0},
		{"jitter of 200 us", "tach_jitter", "tach", func(r *record) { r.jitter = 200e-6 }, Note, 200, 40},
		{"clipping", "clipping", "A", func(r *record) { r.steps = 700 }, Unfit, 0, 0},
		{"a stuck bit", "codes", "A", func(r *record) { r.stuck = 8 }, Unfit, 0.5, 0.06},
		{"a small signal without dither", "dither", "A", func(r *record) { r.steps, r.noise = 1.5, 0 }, Unfit, 0, 0},
		{"few steps, no dither", "dither", "A", func(r *record) { r.steps, r.noise = 9, 0.05 }, Note, 0, 0.2},
		{"dither", "dither", "A", func(r *record) { r.steps, r.noise = 9, 0.6 }, OK, 0.6, 0.06},
		{"mains", "mains", "B", func(r *record) { r.mains = 40 }, Note, 0.4, 0.05},
		{"drift", "drift", "A", func(r *record) { r.slow = 80 }, Note, 80.0 * 2 / 3 / 511, 0.01},
		{"half orders", "loose", "A", func(r *record) { r.half = 40 }, Note, 0, 0},
		{"blows", "loose", "B", func(r *record) { r.steps, r.blow = 10, 2 }, Note, 0, 0},
		{"skew", "skew", "B", func(r *record) { r.skew, r.broad, r.machine.SamePoint = 350e-6, 60, true }, Note, 250, 5},
		{"skew as stated", "skew", "B", func(r *record) { r.skew, r.broad, r.machine.SamePoint = 100e-6, 60, true }, OK, 0, 5},
		{"swapped", "tap", "A", func(r *record) { r.steps, r.blow, r.machine.Tapped = 20, 2, "A" }, Unfit, 0, 0},
		{"not tapped", "tap", "A", func(r *record) { r.machine.Tapped = "A" }, Open, 0, 0},
		{"not swapped", "tap", "B", func(r *record) { r.steps, r.blow, r.machine.Tapped = 20, 2, "B" }, OK, 0, 0},
		{"a dead channel", "dead", "B", func(r *record) { r.dead = true }, Unfit, 0, 0},
		{"too noisy for the grade", "noise", "A", func(r *record) { r.noise, r.machine = 60, Machine{Mass: 10, Grade: 0.0001} }, Unfit, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := good()
			c.plant(&r)
			p := r.page(t)
			f, ok := p.find(c.code, c.subject)
			if !ok || f.Verdict != c.want {
				t.Fatalf("%s of %s: %v, want %v; page: %+v", c.code, c.subject, f, c.want, p.Findings)
			}
			if c.within > 0 && !(math.Abs(*f.Value-c.value) <= c.within) {
				t.Errorf("%s: %v, want %v +- %v: %s", c.code, *f.Value, c.value, c.within, f.Text)
			}
			if c.want == Unfit && p.Fit {
				t.Error("the page says fit")
			}
		})
	}
}

// TestNoiseFloor: white noise of s on every sample leaves s sqrt(2/N) on an axis
// of a phasor over N samples; the taper of a reading costs 22 % more at most.
func TestNoiseFloor(t *testing.T) {
	r := good()
	r.noise = 5
	f, _ := r.page(t).find("noise", "A")
	want := 1e3 * 5 * scale * math.Sqrt(2/(rate*noiseSeconds)) / (2 * math.Pi * hz)
	if ratio := *f.Value / want; !(ratio > 0.75 && ratio < 1.6) {
		t.Errorf("%.5f mm/s, white noise alone gives %.5f", *f.Value, want)
	}
}

// TestCountsAreJudged: what the source counted, and what it measured of a
// sampled tach.
func TestCountsAreJudged(t *testing.T) {
	for _, c := range []struct {
		name, code, subject string
		counts              acq.Counts
		pulse               *acq.Pulse
		want                Verdict
		says                string
	}{
		{"a quartz", "clock", "clock", acq.Counts{ClockPPM: 40, ClockPPMError: 2}, nil, OK, "40 +- 4 ppm"},
		{"a ceramic resonator", "clock", "clock", acq.Counts{ClockPPM: -3000, ClockPPMError: 5}, nil, Note, "-3000"},
		{"another frequency", "clock", "clock", acq.Counts{ClockPPM: 250000, ClockPPMError: 5}, nil, Unfit, "250000"},
		{"far off, but not known", "clock", "clock", acq.Counts{ClockPPM: 3000, ClockPPMError: 1500}, nil, Open, "could not be compared"},
		{"a recording", "clock", "clock", acq.Counts{}, nil, Open, "recording"},
		{"frames refused", "lost", "link", acq.Counts{Refused: map[string]uint64{"bad_crc": 3}}, nil, Note, "3 refused"},
		{"frames of before the greeting", "lost", "link", acq.Counts{Refused: map[string]uint64{acq.NoGreeting: 30}}, nil, OK, "0 refused"},
		{"the board dropped", "lost", "link", acq.Counts{BoardDrops: 7, Overruns: 2}, nil, OK, "dropped 7 frames and overran 2 times"},
		{"this host was slow", "lost", "link", acq.Counts{DroppedBlocks: 4}, nil, OK, "too slow for 4 blocks"},
		{"a pulse", "tach_pulse", "tach", acq.Counts{}, &acq.Pulse{High: 0.6, Level: 0.3, Above: 0.04}, OK, "4.0 %"},
		{"a pulse upside down", "tach_pulse", "tach", acq.Counts{}, &acq.Pulse{High: 0.6, Level: 0.3, Above: 0.96}, Unfit, "upside down"},
	} {
		r := good()
		r.counts, r.pulse = c.counts, c.pulse
		f, ok := r.page(t).find(c.code, c.subject)
		if !ok || f.Verdict != c.want || !strings.Contains(f.Text, c.says) {
			t.Errorf("%s: %+v, want %v and %q", c.name, f, c.want, c.says)
		}
		if (f.Remedy == "") != (f.Verdict == OK) {
			t.Errorf("%s: %s with the remedy %q", c.name, f.Verdict, f.Remedy)
		}
	}
}
