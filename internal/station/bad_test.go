package station

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/blades/running"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station/trace"
)

// spoilt copies blocks and lets do alter each copy.
func spoilt(blocks []*acq.Block, do func(n int, b *acq.Block)) (out []*acq.Block) {
	for n, b := range blocks {
		c := *b
		c.Edges = append([]acq.Edge(nil), b.Edges...)
		do(n, &c)
		out = append(out, &c)
	}
	return out
}

func withoutTach(blocks []*acq.Block) []*acq.Block {
	setup := *blocks[0].Setup
	setup.HasTach = false
	return spoilt(blocks, func(_ int, b *acq.Block) { b.Setup, b.Edges = &setup, nil })
}

func silentTach(blocks []*acq.Block) []*acq.Block {
	return spoilt(blocks, func(_ int, b *acq.Block) { b.Edges = nil })
}

// dirtyTach loses a tenth of the edges and adds as many where none belong.
func dirtyTach(blocks []*acq.Block) []*acq.Block {
	r := rand.New(rand.NewPCG(5, 5))
	return spoilt(blocks, func(_ int, b *acq.Block) {
		kept := b.Edges[:0]
		for _, e := range b.Edges {
			if r.Float64() > 0.1 {
				kept = append(kept, e)
			}
			if r.Float64() < 0.1 {
				e.Pos = math.Min(float64(b.Len())-0.01, e.Pos+80*r.Float64())
				kept = append(kept, e)
			}
		}
		b.Edges = kept
	})
}

// wildTach puts as many edges as there were wherever it likes.
func wildTach(blocks []*acq.Block) []*acq.Block {
	r := rand.New(rand.NewPCG(6, 6))
	return spoilt(blocks, func(_ int, b *acq.Block) {
		for i := range b.Edges {
			b.Edges[i].Pos = (float64(i) + r.Float64()) * float64(b.Len()) / float64(len(b.Edges))
		}
	})
}

// strobed keeps every second edge, as a lamp that flashes once in two turns
// shows a rotor: at half its speed.
func strobed(blocks []*acq.Block) []*acq.Block {
	n := 0
	return spoilt(blocks, func(_ int, b *acq.Block) {
		kept := b.Edges[:0]
		for _, e := range b.Edges {
			if n++; n%2 == 0 {
				e.Number = uint64(n / 2)
				kept = append(kept, e)
			}
		}
		b.Edges = kept
	})
}

// What a bad recording of a coast-down can still tell is told; the rest is
// refused, each part with one sentence that says what to do.
func TestBadCoastDowns(t *testing.T) {
	_, blocks := coasting(t, "bench-fan-soft", 8, 30)
	perSecond := float64(6400) / 1024
	for _, c := range []struct {
		name              string
		blocks            []*acq.Block
		all, sweep, power string // what the whole, the sweep, the power-off is refused with; empty = answered
	}{
		{"no tach", withoutTach(blocks), "no tach", "", ""},
		{"a silent tach", silentTach(blocks), "", "no revolution was accepted", "revolutions were accepted"},
		{"edges anywhere", wildTach(blocks), "", "*", "*"},
		{"a dirty tach", dirtyTach(blocks), "", "", ""},
		{"cut off while it ran", blocks[:int(7*perSecond)], "", "speed changed only", "before the recording ended"},
		{"cut off soon after the switch", blocks[:int(8.7*perSecond)], "", "*", "before the recording ended"},
		{"cut off in the middle of the coast-down", blocks[:int(12*perSecond)], "", "", ""},
		{"begun after the switch", blocks[int(8.5*perSecond):], "", "", "steady running"},
		{"nothing", nil, "no samples", "", ""},
		{"a strobe's half speed", strobed(blocks), "", "", ""},
	} {
		tr := replayed(t, c.blocks, trace.Config{Kind: trace.Speed})
		r, err := tr.SpeedResult()
		if c.all != "" {
			if err == nil || !strings.Contains(err.Error(), c.all) {
				t.Errorf("%s: %v, want a sentence with %q", c.name, err, c.all)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		a := r.Answer(trace.View{})
		for _, p := range []struct {
			what, got, want string
			answered        bool
		}{{"sweep", a.NoSweep, c.sweep, a.Sweep != nil}, {"power-off", a.NoPowerOff, c.power, a.PowerOff != nil}} {
			switch {
			case p.answered == (p.got != ""):
				t.Errorf("%s, %s: answered %v and refused with %q", c.name, p.what, p.answered, p.got)
			case p.want == "*": // either, but never neither
			case p.want == "" && !p.answered:
				t.Errorf("%s, %s is refused: %s", c.name, p.what, p.got)
			case !strings.Contains(p.got, p.want):
				t.Errorf("%s, %s: %q, want a sentence with %q", c.name, p.what, p.got, p.want)
			}
			if p.got != "" && (strings.Count(p.got, ". ") > 0 || !strings.Contains(p.got, ":") && !strings.Contains(p.got, ",")) {
				t.Errorf("%s, %s: no single sentence that says what to do: %q", c.name, p.what, p.got)
			}
		}
		if c.name == "a strobe's half speed" {
			// The tach belongs on the fan's shaft, once a turn: at half the speed no
			// usual motor slips so, and that is told.
			if notes := strings.Join(a.PowerOff.Notes, " "); !strings.Contains(notes, "tach belongs on the fan's shaft") && !strings.Contains(notes, "slips by") {
				t.Errorf("%s: %v", c.name, a.PowerOff.Notes)
			}
		}
	}
}

// Several marks a turn give the same resonances and heights as one; where the
// marks look alike, that is told.
func TestSeveralMarks(t *testing.T) {
	marked := func(name string, marks int, before, after float64) (*rig.Rig, []*acq.Block) {
		p, err := rig.Preset(name)
		if err != nil {
			t.Fatal(err)
		}
		p.Board.Pulses = marks
		p.Drive.Inertia *= 4
		fan, err := rig.NewWith(p, 3)
		if err != nil {
			t.Fatal(err)
		}
		blocks := coastingOf(t, fan, before, after)
		setup := *blocks[0].Setup
		setup.PulsesPerTurn = marks
		return fan, spoilt(blocks, func(_ int, b *acq.Block) { b.Setup = &setup })
	}
	var strongest [2]float64
	for i, marks := range []int{1, 4} {
		_, blocks := marked("bench-fan-soft", marks, 6, 60)
		r, err := replayed(t, blocks, trace.Config{Kind: trace.Speed, NoPower: true}).SpeedResult()
		if err != nil || r.FitRefused != nil {
			t.Fatalf("%d marks: %v %v", marks, err, r.FitRefused)
		}
		m, ok := r.Fit.Strongest(0)
		if !ok {
			t.Fatalf("%d marks: no resonance", marks)
		}
		strongest[i] = m.Speed
		if told := strings.Contains(strings.Join(r.Fit.Notes, " "), "look alike"); told != (marks > 1) {
			t.Errorf("%d marks: notes %v", marks, r.Fit.Notes)
		}
	}
	if !(math.Abs(strongest[1]/strongest[0]-1) <= 0.01) {
		t.Errorf("strongest resonance at %.1f rpm by one mark, %.1f by four", rotor.RPM(strongest[0]), rotor.RPM(strongest[1]))
	}
	fan, blocks := marked("extractor-track", 4, 6, 0)
	d := fan.Describe()
	r, err := replayed(t, blocks, trace.Config{Kind: trace.Track, Channel: "track", Blades: running.Config{Blades: d.Blades, Sensor: d.Distance.Angle, SensorKnown: true,
		Blade1: fan.Machine().Blade1, Blade1Known: true, Radius: d.Distance.Radius}}).TrackResult(nil)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(strings.Join(r.Running.Notes, " "), "look alike") {
		t.Errorf("four marks alike are not told: %v", r.Running.Notes)
	}
	mean, best := 0.0, math.Inf(1)
	for i := range d.Blades {
		mean += fan.Running(i+1, r.Running.Speed) / float64(d.Blades)
	}
	for shift := 0; shift < d.Blades; shift += d.Blades / 4 {
		worst := 0.0
		for i, b := range r.Running.Blades {
			worst = math.Max(worst, math.Abs(b.Height-(fan.Running((i+shift)%d.Blades+1, r.Running.Speed)-mean)))
		}
		best = math.Min(best, worst)
	}
	if !(best <= 0.05e-3) {
		t.Errorf("by four marks the heights are %.3f mm off, however the numbers are shifted", best*1e3)
	}
}
