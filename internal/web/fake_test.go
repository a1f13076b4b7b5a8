package web

import (
	"context"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
	"counterpoise/internal/station"
)

// fake is a station whose snapshots a test sets.
type fake struct {
	name    string
	mu      sync.Mutex
	snap    *station.Snapshot
	changed chan struct{}
}

func newFake(name string) *fake { return &fake{name: name, changed: make(chan struct{})} }

func (f *fake) Name() string { return f.name }

func (f *fake) Latest() *station.Snapshot {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.snap
}

func (f *fake) Wait(ctx context.Context, after uint64) (*station.Snapshot, error) {
	for {
		f.mu.Lock()
		snap, changed := f.snap, f.changed
		f.mu.Unlock()
		if snap != nil && snap.Serial > after {
			return snap, nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// set publishes a snapshot under the next serial.
func (f *fake) set(s station.Snapshot) {
	f.mu.Lock()
	defer f.mu.Unlock()
	s.Station, s.Serial = f.name, 1
	if f.snap != nil {
		s.Serial = f.snap.Serial + 1
	}
	f.snap = &s
	close(f.changed)
	f.changed = make(chan struct{})
}

var fakeSetup = &acq.Setup{Source: "rig:bench", Board: "virtual board, firmware 1", ID: "rig-1", Rate: 5000, TickHz: 1e6, HasTach: true,
	PulsesPerTurn: 1, Channels: []acq.Channel{
		{Name: "DE-H", Quantity: rotor.Velocity}, {Name: "DE-V", Quantity: rotor.Velocity},
		{Name: "NDE-H", Quantity: rotor.Velocity}, {Name: "NDE-V", Quantity: rotor.Velocity}, {Name: "probe", Quantity: rotor.Raw}}}

// when is the fixed host time of the tests.
var when = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// turning is a healthy snapshot: 1480 rpm, four sensors, DE-H at 4.81 mm/s rms
// and 63.1 degrees with a standard error of 0.02 mm/s rms per axis.
func turning() station.Snapshot {
	mm := rotor.RMS.OfPeak() * 1e3 // mm/s rms per m/s peak
	var chans []phase.ChannelReading
	for i, ch := range fakeSetup.Channels {
		amp := []float64{4.81, 2.2, 1.1, 0.42, 0.3}[i] / mm
		v := cmplx.Rect(amp, []float64{63.1, 152, 250, 330, 10}[i]*math.Pi/180)
		se := 0.02 / mm
		chans = append(chans, phase.ChannelReading{Name: ch.Name, Quantity: ch.Quantity, Orders: []phase.Component{
			{Order: 1, Value: v, Cov: rotor.Isotropic(se * se), DoF: 6},
			{Order: 2, Value: v * 0.1, Cov: rotor.Isotropic(se * se), DoF: 6},
		}})
	}
	return station.Snapshot{
		At: when, Link: acq.Link{Up: true, State: acq.Running}, Setup: fakeSetup,
		Counts: acq.Counts{Bytes: 1e6, Frames: 4000, Samples: 200000, Edges: 900, Refused: map[string]uint64{acq.RefuseReasons()[0]: 2},
			Gaps: map[string]uint64{"lost_frames": 1}, ClockPPM: 48.2, ClockPPMError: 0.7},
		Motion: station.Turning, Speed: rotor.RadPerSecond(1480.2), Turns: 900,
		Reading:      &phase.Reading{Channels: chans, Speed: rotor.RadPerSecond(1480.2), SpeedSD: rotor.RadPerSecond(0.4), Turns: 64, Seconds: 2.6, Method: "equal"},
		Latency:      station.Latencies{Sum: 0.018, Turns: 900},
		PhaseScatter: []float64{.02, .03, .05, .1, math.NaN()},
		Spectra:      fakeSpectra(), SpectrumSerial: 1, Levels: fakeLevels(), Waveform: fakeWaveform(),
	}
}

// fakeSpectra hold 1x, 2x, a line of 120 Hz and the blade pass of six blades.
var fakeSpectra = sync.OnceValue(func() (out []spectrum.Spectrum) {
	f := 1480.2 / 60
	for n, ch := range fakeSetup.Channels {
		s := spectrum.Spectrum{Channel: ch.Name, Quantity: ch.Quantity, Step: 0.3125, Blocks: 16, Peak: make([]float64, 3201)}
		for i := range s.Peak {
			x := float64(i) * s.Step
			s.Peak[i] = 1.4e-5 + 8e-6*math.Sin(float64(i)*7.7)*math.Sin(float64(i)*3.1)
			for k, at := range []float64{f, 2 * f, 120, 6 * f} {
				s.Peak[i] += []float64{6.8e-3, 7e-4, 1.3e-3, 2e-3}[k] / float64(n+1) * hann((x-at)/s.Step)
			}
		}
		out = append(out, s)
	}
	return out
})

// hann is how a steady tone x lines away shows behind a Hann window.
func hann(x float64) float64 {
	switch {
	case x == 0:
		return 1
	case math.Abs(x) == 1:
		return 0.5
	}
	return math.Abs(math.Sin(math.Pi*x) / (math.Pi * x) / (1 - x*x))
}

func fakeLevels() (out []spectrum.Level) {
	for i, ch := range fakeSetup.Channels {
		l := spectrum.Level{Channel: ch.Name, Quantity: ch.Quantity, RMS: 0.01, Velocity: 5.32e-3 / float64(i+1), Displacement: 88e-6, Low: 10, High: 1000, Seconds: 5}
		if ch.Quantity == rotor.Raw {
			l.Velocity, l.Displacement = math.NaN(), math.NaN()
		}
		out = append(out, l)
	}
	return out
}

var fakeWaveform = sync.OnceValue(func() *station.Waveform {
	w := &station.Waveform{Serial: 1, Rate: 5000}
	f := 1480.2 / 60
	for n := range fakeSetup.Channels {
		x := make([]float32, 1000)
		for i := range x {
			t := float64(i) / w.Rate
			x[i] = float32((6.8e-3*math.Cos(2*math.Pi*f*t+1) + 1.3e-3*math.Cos(2*math.Pi*100*t) + 2e-3*math.Sin(2*math.Pi*6*f*t)) / float64(n+1))
		}
		w.Samples = append(w.Samples, x)
	}
	for k := range 5 {
		w.Edges = append(w.Edges, (0.01+float64(k)/f)*w.Rate)
	}
	return w
})

// wander moves a snapshot's vectors a little, as a real rotor's do.
func wander(s station.Snapshot, rng *rand.Rand) station.Snapshot {
	r := *s.Reading
	r.Channels = nil
	for _, c := range s.Reading.Channels {
		o := append([]phase.Component(nil), c.Orders...)
		for i := range o {
			o[i].Value += complex(rng.NormFloat64(), rng.NormFloat64()) * 3e-5
		}
		c.Orders = o
		r.Channels = append(r.Channels, c)
	}
	s.Reading = &r
	return s
}

func newServer(t *testing.T, c Config, sources ...Source) *Server {
	t.Helper()
	for _, src := range sources {
		c.Stations = append(c.Stations, &Station{Source: src})
	}
	if c.Now == nil {
		c.Now = func() time.Time { return when }
	}
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

var fakeChannels = []station.ChannelConfig{
	{Name: "DE-H", Direction: "horizontal, seen from the fan", Tolerance: 1.1e-3}, {Name: "DE-V", Direction: "vertical", Tolerance: 1.1e-3},
	{Name: "NDE-H", Direction: "horizontal"}, {Name: "NDE-V", Direction: "vertical"}}
