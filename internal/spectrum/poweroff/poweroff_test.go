package poweroff

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// part is one tone of a made-up machine.
type part struct {
	order, hz float64 // of the rotor, or of its own
	amplitude float64
	current   bool // gone with the current
}

// machine makes the blocks of a fan that runs at hz, with its speed wandering a
// little, and is switched off at off seconds; it then coasts with 1/w growing by
// drag (1/s of the speed).
func machine(hz, off, seconds, drag float64, parts []part, seed uint64) []*acq.Block {
	const rate = 2000.0
	setup := &acq.Setup{Source: "made", Rate: rate, TickHz: rate, HasTach: true, PulsesPerTurn: 1,
		Channels: []acq.Channel{{Name: "a", Quantity: rotor.Velocity, Scale: 1}}}
	r := rand.New(rand.NewPCG(seed, 1))
	n := int(seconds * rate)
	x, edges := make([]float32, n), []float64{0.5}
	turns, wander, speed, coast := 0.0, 0.0, hz, 0.0
	for i := range n {
		t := float64(i) / rate
		v := 0.03 * r.NormFloat64()
		for _, p := range parts {
			switch {
			case p.order > 0:
				v += p.amplitude * speed / hz * math.Cos(2*math.Pi*p.order*turns)
			case !p.current || t < off:
				v += p.amplitude * math.Cos(2*math.Pi*p.hz*t+1)
			}
		}
		x[i] = float32(v)
		wander += -wander/(2*rate) + 0.001*math.Sqrt(1/rate)*r.NormFloat64()
		if speed = hz * (1 + wander); t > off {
			coast += 1 / rate
			speed = hz * (1 + wander) / (1 + drag*coast)
		}
		if next := turns + speed/rate; math.Floor(next) > math.Floor(turns) {
			edges = append(edges, float64(i)+(math.Floor(next)-turns)/(speed/rate))
			turns = next
		} else {
			turns = next
		}
	}
	return blocks(setup, x, edges[1:])
}

func blocks(setup *acq.Setup, x []float32, edges []float64) (out []*acq.Block) {
	const size = 500
	e := 0
	for at := 0; at+size <= len(x); at += size {
		b := &acq.Block{Setup: setup, Tick: uint64(at), Sample: uint64(at), Samples: [][]float32{x[at : at+size]}}
		for ; e < len(edges) && edges[e] < float64(at+size); e++ {
			b.Edges = append(b.Edges, acq.Edge{Pos: edges[e] - float64(at), Number: uint64(e)})
		}
		out = append(out, b)
	}
	return out
}

func result(t *testing.T, cfg Config, bs []*acq.Block) (*Result, error) {
	t.Helper()
	c := New(cfg)
	for _, b := range bs {
		c.Add(b)
	}
	return c.Result()
}

func (r *Result) at(hz float64) Component {
	for _, c := range r.Components {
		if math.Abs(c.Hz-hz) < 0.1+0.003*hz {
			return c
		}
	}
	return Component{Kind: "absent"}
}

// What the trade says (common practice, no source): an electrical component
// disappears at the moment of switching off, a mechanical one follows the speed.
func TestEveryKind(t *testing.T) {
	for _, c := range []struct {
		name  string
		hz    float64
		parts []part
		want  map[float64]string
		named map[float64]string
		line  float64
	}{
		{"50 Hz, belt and neighbour", 24.4,
			[]part{{order: 1, amplitude: 1}, {order: 6, amplitude: 0.3}, {hz: 100.06, amplitude: 0.5, current: true}, {hz: 23.1, amplitude: 0.6}, {order: 0.62, amplitude: 0.4}},
			map[float64]string{24.4: Order, 146.4: BladePass, 100.06: Electrical, 23.1: Elsewhere, 15.13: Follows},
			map[float64]string{24.4: "1x", 146.4: "blade pass", 100.06: "twice line frequency", 15.13: "1x of the belt"}, 50.03},
		{"two poles: 2x and twice the line 0.8 Hz apart", 59.6,
			[]part{{order: 1, amplitude: 1}, {order: 2, amplitude: 0.4}, {hz: 120, amplitude: 0.4, current: true}},
			map[float64]string{59.6: Order, 119.2: Order, 120: Electrical}, map[float64]string{119.2: "2x", 120: "twice line frequency"}, 60},
		{"a drive at 37.3 Hz", 17.9,
			[]part{{order: 1, amplitude: 1}, {hz: 74.6, amplitude: 0.4, current: true}, {hz: 149.2, amplitude: 0.2, current: true}},
			map[float64]string{17.9: Order, 74.6: Electrical, 149.2: Electrical}, map[float64]string{74.6: "twice the drive's output frequency"}, 37.3},
		{"six blades at 1200 imitate 7200", 20,
			[]part{{order: 1, amplitude: 1}, {order: 6, amplitude: 0.5}},
			map[float64]string{20: Order, 120: BladePass}, nil, 0},
	} {
		r, err := result(t, Config{Blades: 6, Belt: 0.62}, machine(c.hz, 12, 20, 0.15, c.parts, 3))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if !(math.Abs(r.Off-12) < 0.2) {
			t.Errorf("%s: switched off at %.2f s, was at 12", c.name, r.Off)
		}
		for hz, kind := range c.want {
			if got := r.at(hz); got.Kind != kind {
				t.Errorf("%s: %.2f Hz is called %s (%s), want %s", c.name, hz, got.Kind, got.Evidence, kind)
			}
		}
		for hz, name := range c.named {
			found := false
			for _, x := range r.Components {
				found = found || math.Abs(x.Hz-hz) < 0.4 && x.Name == name
			}
			if !found {
				t.Errorf("%s: nothing near %.2f Hz is named %q: %+v", c.name, hz, name, r.at(hz))
			}
		}
		if !(math.Abs(r.SupplyHz-c.line) <= math.Max(0.003, 4*r.SupplySD)) {
			t.Errorf("%s: supply %.4f +- %.4f Hz, want %.2f", c.name, r.SupplyHz, r.SupplySD, c.line)
		}
	}
}

// A neighbour 0.5 Hz below 1x beats every 2 s, and twelve seconds hold enough of
// its beats to trust either reading.
func TestBeatIsShown(t *testing.T) {
	r, err := result(t, Config{}, machine(24.4, 30, 40, 0.15, []part{{order: 1, amplitude: 1}, {hz: 23.9, amplitude: 0.6}}, 4))
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Beats) != 1 || !(math.Abs(r.Beats[0].Period-2) < 0.1) || !r.Beats[0].Enough {
		t.Errorf("beats %+v, want one of 2 s, seen often enough", r.Beats)
	}
}

// Bad recordings are refused with a sentence that says what to do.
func TestRefusals(t *testing.T) {
	good := machine(24.4, 12, 20, 0.15, []part{{order: 1, amplitude: 1}}, 5)
	noTach := *good[0].Setup
	noTach.HasTach = false
	for _, c := range []struct {
		name, want string
		blocks     []*acq.Block
	}{
		{"nothing", "no samples", nil},
		{"no tach", "no tach", []*acq.Block{{Setup: &noTach, Samples: good[0].Samples}}},
		{"cut off before the coast-down", "before the recording ended", good[:50]},
		{"switched off at once", "steady running", good[44:]},
		{"edges lost", "revolutions were accepted", withoutEdges(good)},
		{"samples lost", "samples were lost in the middle", withGap(good, len(good)-8, 4)},
		{"overdriven while it ran", "signal of every sensor was clipped", overdriven(good)},
		{"samples lost before the switch", "samples were lost and only", withGap(good, 40, 4)},
	} {
		_, err := result(t, Config{}, c.blocks)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want a sentence with %q", c.name, err, c.want)
		}
	}
}

// overdriven are the blocks of a sensor whose range ends below its signal at
// running speed.
func overdriven(bs []*acq.Block) (out []*acq.Block) {
	setup := *bs[0].Setup
	setup.Channels = []acq.Channel{{Name: "a", Quantity: rotor.Velocity, Scale: 1, FullScale: 0.8}}
	for _, b := range bs {
		c := *b
		c.Setup, c.Samples = &setup, [][]float32{make([]float32, len(b.Samples[0]))}
		for i, v := range b.Samples[0] {
			c.Samples[0][i] = min(max(v, -0.8), 0.8)
		}
		out = append(out, &c)
	}
	return out
}

// withGap loses n blocks, a quarter of a second each, from block at on.
func withGap(bs []*acq.Block, at, n int) (out []*acq.Block) {
	out = append(append(out, bs[:at]...), bs[at+n:]...)
	c := *out[at]
	c.Gap = acq.ReaderLag
	out[at] = &c
	return out
}

// A short loss, in the steady part and in the coast-down, changes no name.
func TestShortLossesAreLeftOut(t *testing.T) {
	parts := []part{{order: 1, amplitude: 1}, {order: 6, amplitude: 0.3}, {hz: 100.06, amplitude: 0.5, current: true}, {hz: 23.1, amplitude: 0.6}, {order: 0.62, amplitude: 0.4}}
	bs := machine(24.4, 12, 20, 0.15, parts, 3)
	for _, at := range [][]int{{30}, {52}, {20, 38, 55}} {
		cut := bs
		for i, k := range at {
			cut = withGap(cut, k-i, 1)
		}
		r, err := result(t, Config{Blades: 6}, cut)
		if err != nil {
			t.Errorf("lost at %v: %v", at, err)
			continue
		}
		for hz, kind := range map[float64]string{24.4: Order, 146.4: BladePass, 100.06: Electrical, 23.1: Elsewhere, 15.13: Follows} {
			if got := r.at(hz); got.Kind != kind {
				t.Errorf("lost at %v: %.2f Hz is called %s (%s), want %s", at, hz, got.Kind, got.Evidence, kind)
			}
		}
		if len(r.Components) != len(parts) {
			t.Errorf("lost at %v: %d components, want %d: %+v", at, len(r.Components), len(parts), r.Components)
		}
	}
}

func withoutEdges(bs []*acq.Block) (out []*acq.Block) {
	for _, b := range bs {
		c := *b
		c.Edges = nil
		out = append(out, &c)
	}
	return out
}
