package running

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/blades"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// wheel is a made-up wheel before a distance sensor, by plain geometry: a blade
// is a slope of tan(stagger) between its edges, the sensor reads far between
// blades. Lengths in m, angles in rad.
type wheel struct {
	height, angle []float64 // of each blade; angles from the mark, with rotation
	gone          int       // number of a blade that is missing; 0 = none
	radius, chord float64
	stagger       float64
	sensor        float64
	hz, rate      float64
	noise, jitter float64
	up            bool    // the sensor looks from downstream: its reading grows upstream
	slip          float64 // part of a turn by which the mark wanders each turn: it is on another shaft
}

const far = 0.06

func newWheel(n int, seed uint64) *wheel {
	r := rand.New(rand.NewPCG(seed, 7))
	w := &wheel{radius: 0.55, chord: 0.128, stagger: 24 * math.Pi / 180, sensor: 1.2, hz: 16.3, rate: 6400, noise: 10e-6, jitter: 20e-6}
	w.chord = math.Min(w.chord, 0.6*2*math.Pi*w.radius/float64(n))
	for i := range n {
		w.height = append(w.height, 1.5e-3*r.NormFloat64())
		w.angle = append(w.angle, 0.3+2*math.Pi*float64(i)/float64(n)+2e-3*r.NormFloat64())
	}
	return w
}

func (w *wheel) read(phi float64) float64 {
	for i, a := range w.angle {
		if i+1 == w.gone {
			continue
		}
		arc := rotor.WrapRadians(phi+a-w.sensor) * w.radius
		cover := math.Min(1, math.Max(0, (w.chord/2-math.Abs(arc))/0.002+0.5))
		if cover > 0 {
			return cover*(w.height[i]+arc*math.Tan(w.stagger)) + (1-cover)*far
		}
	}
	return far
}

func (w *wheel) blocks(turns int, seed uint64) (out []*acq.Block) {
	r := rand.New(rand.NewPCG(seed, 8))
	setup := &acq.Setup{Source: "made", Rate: w.rate, TickHz: w.rate, HasTach: true, PulsesPerTurn: 1,
		Channels: []acq.Channel{{Name: "track", Quantity: rotor.Displacement, Scale: 1, FullScale: far}}}
	n := int(float64(turns) * w.rate / w.hz)
	x := make([]float32, n)
	var edges []float64
	drift := 0.0
	for i := range n {
		at := 0.37 + float64(i)*w.hz/w.rate
		v := w.read(2*math.Pi*(at+drift)) + w.noise*r.NormFloat64()
		if w.up {
			v = -v
		}
		x[i] = float32(math.Max(-far, math.Min(far, v)))
		if next := at + w.hz/w.rate; math.Floor(next) > math.Floor(at) {
			edges = append(edges, float64(i)+(math.Floor(next)-at)*w.rate/w.hz+w.jitter*w.rate*r.NormFloat64())
			drift += w.slip
		}
	}
	const size = 512
	e := 0
	for at := 0; at+size <= n; at += size {
		b := &acq.Block{Setup: setup, Tick: uint64(at), Sample: uint64(at), Samples: [][]float32{x[at : at+size]}}
		for ; e < len(edges) && edges[e] < float64(at+size); e++ {
			b.Edges = append(b.Edges, acq.Edge{Pos: edges[e] - float64(at), Number: uint64(e)})
		}
		out = append(out, b)
	}
	return out
}

func (w *wheel) config() Config {
	return Config{Blades: len(w.height), Sensor: w.sensor, SensorKnown: true, Blade1: 0.3, Blade1Known: true, Radius: w.radius, Turns: 100}
}

func see(cfg Config, bs []*acq.Block) (*Result, error) {
	t := New(cfg)
	for _, b := range bs {
		t.Add(b)
	}
	return t.Result()
}

// Heights within 0.05 mm at 10 micrometre rms over 100 turns, within the stated
// interval at 0.3 mm; places on the circle likewise; blade 1 by the mark.
func TestHeightsAndPlaces(t *testing.T) {
	for _, n := range []int{2, 3, 8, 36} {
		for _, noise := range []float64{10e-6, 0.3e-3} {
			w := newWheel(n, uint64(n))
			w.noise = noise
			r, err := see(w.config(), w.blocks(103, 1))
			if err != nil {
				t.Errorf("%d blades: %v", n, err)
				continue
			}
			limit, outside := phase.TLimit(0.95, r.DoF), 0
			mean, place := 0.0, 0.0
			for i := range n {
				mean += w.height[i] / float64(n)
				place += (w.angle[i] - 2*math.Pi*float64(i)/float64(n)) / float64(n)
			}
			for i, b := range r.Blades {
				e := b.Height - (w.height[i] - mean)
				if noise < 1e-4 && !(math.Abs(e) <= 0.05e-3) {
					t.Errorf("%d blades, blade %d: %.4f mm off", n, i+1, e*1e3)
				}
				if !(math.Abs(e) <= limit*b.HeightSD) {
					outside++
				}
				o := b.Off - (w.angle[i] - 2*math.Pi*float64(i)/float64(n) - place)
				if !(math.Abs(o) <= 2*limit*b.AngleSD) {
					t.Errorf("%d blades, blade %d: place %.4f +- %.4f deg off", n, i+1, o*180/math.Pi, b.AngleSD*180/math.Pi)
				}
				if !(math.Abs(b.Pitch-w.stagger) <= math.Max(0.1*math.Pi/180, 2*limit*b.PitchSD)) {
					t.Errorf("%d blades, blade %d: pitch %.3f rad, want %.3f", n, i+1, b.Pitch, w.stagger)
				}
			}
			if outside > 1+n/8 {
				t.Errorf("%d blades, noise %g: %d outside their interval", n, noise, outside)
			}
		}
	}
}

// The numbers may count against rotation, and the sensor may look from the
// other side: heights and numbers follow.
func TestSidesAndNumbers(t *testing.T) {
	w := newWheel(7, 2)
	w.up = true
	cfg := w.config()
	cfg.Side, cfg.Numbering = blades.Upstream, rotor.AgainstRotation
	r, err := see(cfg, w.blocks(60, 2))
	if err != nil {
		t.Fatal(err)
	}
	for i := range 7 {
		got := r.Blades[(7-i)%7].Height - r.Blades[0].Height
		if want := w.height[i] - w.height[0]; !(math.Abs(got-want) <= 0.15e-3) {
			t.Errorf("blade %d: %.3f mm from blade 1, want %.3f", i+1, got*1e3, want*1e3)
		}
	}
}

// What cannot be answered gets a sentence; what can be answered in part gets a
// note.
func TestBadRecordings(t *testing.T) {
	w := newWheel(8, 3)
	missing := newWheel(8, 3)
	missing.gone = 5
	r, err := see(missing.config(), missing.blocks(60, 3))
	if err != nil {
		t.Fatalf("a missing blade: %v", err)
	}
	if r.Blades[4].Seen || !r.Blades[3].Seen || len(r.Notes) != 1 || !strings.Contains(r.Notes[0], "blade 5") {
		t.Errorf("a missing blade: %+v, %v", r.Blades[4], r.Notes)
	}
	if _, err := blades.Judge(r.Survey(nil)); err != nil {
		t.Errorf("a survey with a missing blade: %v", err)
	}
	unstated := missing.config()
	unstated.Blades = 0
	if r, err := see(unstated, missing.blocks(60, 3)); err != nil || len(r.Blades) != 8 || r.Blades[4].Seen {
		t.Errorf("a missing blade of an unstated number: %v", err)
	}
	if r, err := see(w.config(), w.blocks(14, 4)); err != nil || !(r.HeightSD > 0) || r.Turns > 14 {
		t.Errorf("cut off after 14 turns: %v", err)
	}

	alias := newWheel(8, 3)
	alias.rate, alias.jitter = 16.3*240, 0 // a whole number of samples a turn
	slow := newWheel(36, 3)
	slow.rate = 1000
	strayed := newWheel(8, 3)
	strayed.slip = 0.031
	blind := newWheel(8, 3)
	blind.chord, blind.stagger, blind.noise = 0.6, 0, 1e-3 // it looks at a closed disc
	noTach := w.blocks(30, 5)
	bare := *noTach[0].Setup
	bare.HasTach = false
	for _, b := range noTach {
		b.Setup = &bare
	}
	silent := w.blocks(30, 5)
	for _, b := range silent {
		b.Edges = nil
	}
	few := w.config()
	few.Blades = 6
	turned := w.config()
	turned.Blade1 += math.Pi / 8
	for _, c := range []struct {
		name, want string
		cfg        Config
		blocks     []*acq.Block
	}{
		{"nothing", "no samples", w.config(), nil},
		{"no tach", "no tach", w.config(), noTach},
		{"tach without edges", "gave no edge", w.config(), silent},
		{"cut off at once", "whole revolutions", w.config(), w.blocks(6, 5)},
		{"a strobe-like alias", "as under a strobe", alias.config(), alias.blocks(60, 5)},
		{"too few samples a blade", "raise the sampling rate", slow.config(), slow.blocks(60, 5)},
		{"mark on another shaft", "not on the fan's shaft", strayed.config(), strayed.blocks(80, 5)},
		{"no gaps", "aim it", blind.config(), blind.blocks(60, 5)},
		{"more blades than stated", "count the blades", few, w.blocks(60, 5)},
		{"blade 1 where none is", "blade 1", turned, w.blocks(60, 5)},
	} {
		r, err := see(c.cfg, c.blocks)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want a sentence with %q", c.name, err, c.want)
			if r != nil {
				t.Logf("blades %d, sd %.3f mm", len(r.Blades), r.HeightSD*1e3)
			}
		}
	}
}

// Against standstill: the common straightening is one share, a blade with a
// soft root stands out of it.
func TestCompareWithStandstill(t *testing.T) {
	w := newWheel(8, 6)
	static := &blades.Survey{Blades: 8, Blade1: 0.3, TipRadius: w.radius, ReadRadius: w.radius, DepthSD: 0.1e-3}
	for i := range w.height {
		static.Readings = append(static.Readings, blades.Reading{Blade: i + 1, Kind: blades.Depth, Value: 0.040 + w.height[i]})
		w.height[i] *= 0.8
	}
	r, err := see(w.config(), w.blocks(103, 6))
	if err != nil {
		t.Fatal(err)
	}
	c, err := r.Compare(static)
	if err != nil {
		t.Fatal(err)
	}
	if !(math.Abs(c.Share-0.8) <= 3*c.ShareSD) || len(c.Notes) != 0 {
		t.Errorf("share %.3f +- %.3f, want 0.8; %v", c.Share, c.ShareSD, c.Notes)
	}
	w.height[2] += 2e-3
	if r, err = see(w.config(), w.blocks(103, 6)); err != nil {
		t.Fatal(err)
	}
	if c, err = r.Compare(static); err != nil {
		t.Fatal(err)
	}
	if !c.Blades[2].StandsOut {
		t.Errorf("a blade that moves by 2 mm does not stand out: %+v", c.Blades[2])
	}
	svg := r.Picture(c)
	if !strings.HasPrefix(svg, "<svg") || strings.Count(svg, `class="blade"`) != 8 || strings.Count(svg, `class="standstill"`) != 8 || strings.Contains(svg, "NaN") {
		t.Error("the picture does not show eight blades and their standstill")
	}
	if _, err := r.Compare(&blades.Survey{Blades: 6}); err == nil {
		t.Error("surveys of two wheels were compared")
	}
}
