package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"

	"counterpoise/internal/rig"
	"counterpoise/internal/spectrum/poweroff"
)

// supplies of the power-off campaign. The fourth has second order and twice the
// line 0.8 Hz apart; the last two imitate 7,200 cycles a minute with blades.
var supplies = []struct {
	name            string
	hz, run         float64
	blades, stiffer float64 // blades 0 = drawn
	drive           bool
}{
	{"50 Hz, four poles", 50, 24.3, 0, 1.5, false},
	{"60 Hz, four poles", 60, 29.2, 0, 2.5, false},
	{"drive at 37.3 Hz", 37.3, 17.9, 0, 1, true},
	{"60 Hz, two poles, 0.8 Hz", 60, 59.6, 0, 16, false},
	{"50 Hz, two poles", 50, 49.3, 0, 16, false},
	{"4 blades x 1780, 60 Hz", 60, 1780.0 / 60, 4, 2.5, false},
	{"8 blades x 900, 60 Hz", 60, 15, 8, 1, false},
}

type said struct {
	kind string
	hz   float64
}

// powerOffs: fans of drawn stiffness, blades, pull and inertia on those
// supplies, with a neighbour's tone, a belt, or both, or neither, beside them.
func powerOffs(ctx context.Context, w io.Writer, args []string) error {
	trials := count(args, 500)
	fmt.Fprintf(w, "Power-off: %d fans. Before: 10 s. A component is wrong if its kind is not what was put in at that frequency; undecided is counted apart.\n", trials)
	fmt.Fprintln(w, "supply                   | fans | named | right | wrong | undecided | put in and strong, not named | supply Hz: rms error | refused")
	totals := powerTally{}
	for s := range supplies {
		t := powerTally{}
		for seed := range uint64((trials + len(supplies) - 1) / len(supplies)) {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err := t.one(s, seed, w); err != nil {
				return err
			}
		}
		t.report(w, supplies[s].name)
		totals.add(t)
	}
	totals.report(w, "all")
	return nil
}

type powerTally struct {
	fans, named, right, wrong, undecided, missing, refused int
	supply                                                 []float64
}

func (t *powerTally) add(o powerTally) {
	t.fans += o.fans
	t.named += o.named
	t.right += o.right
	t.wrong += o.wrong
	t.undecided += o.undecided
	t.missing += o.missing
	t.refused += o.refused
	t.supply = append(t.supply, o.supply...)
}

func (t *powerTally) report(w io.Writer, name string) {
	fmt.Fprintf(w, "%-24s | %4d | %5d | %5d | %5d | %9d | %28d | %20.4f | %d\n", name, t.fans, t.named, t.right, t.wrong, t.undecided, t.missing, rms(t.supply), t.refused)
}

func (t *powerTally) one(s int, seed uint64, w io.Writer) error {
	r := rand.New(rand.NewPCG(90+uint64(s), seed))
	k := supplies[s]
	p, err := rig.Preset("bench-fan")
	if err != nil {
		return err
	}
	slip := 1 - math.Round(k.hz/k.run)*k.run/k.hz
	if slip < 0.004 {
		slip = 0.004
	}
	p = p.Stiffer(k.stiffer*(0.8+0.5*r.Float64())).Turning(k.hz, k.run, slip)
	p.Drive.Inverter = k.drive
	p.Drive.Pull = 5 * math.Pow(12, r.Float64())
	p.Drive.Passing = 0.02 * math.Pow(15, r.Float64())
	p.Drive.Inertia *= 1 + 20*r.Float64()
	p.Drive.StartTorque = 1.5
	p.Board.Range *= 10 // clipping makes sums and differences of its own
	if p.Wheel.Blades = int(k.blades); k.blades == 0 {
		p.Wheel.Blades = 3 + r.IntN(8)
	}
	fan, _, err := settled(p, seed)
	if err != nil {
		return err
	}
	before, err := fan.Record(int(10 * p.Board.Rate))
	if err != nil {
		return err
	}
	fan.Stop()
	rec, err := fan.Record(int(25 * p.Board.Rate))
	if err != nil {
		return err
	}
	rec = joinedRecord(before, rec)
	truth := []said{{poweroff.Order, k.run}, {poweroff.BladePass, float64(p.Wheel.Blades) * k.run}, {poweroff.Electrical, 2 * k.hz}, {poweroff.Electrical, 4 * k.hz}}
	if k.run > 59 { // the plant has no second order of its own
		truth = append(truth, second(r, rec, k.run))
	}
	truth = append(truth, strangers(r, rec, k.run, truth)...)
	c := poweroff.New(poweroff.Config{Blades: p.Wheel.Blades})
	for _, b := range blocksOf(rec) {
		c.Add(b)
	}
	t.fans++
	res, err := c.Result()
	if err != nil {
		t.refused++
		fmt.Fprintf(w, "  refused (%s, seed %d): %v\n", k.name, seed, err)
		return nil
	}
	found := map[int]bool{}
	for _, x := range res.Components {
		if x.Kind == poweroff.Undecided {
			t.undecided++
			continue
		}
		t.named++
		ok := false
		for i, y := range truth {
			if math.Abs(x.Hz-y.hz) < 0.15+0.003*y.hz && x.Kind == y.kind {
				ok, found[i] = true, true
			}
		}
		if ok {
			t.right++
			continue
		}
		t.wrong++
		fmt.Fprintf(w, "  wrong (%s, seed %d): %s %q %.3f Hz, amplitude %.3g: %s; put in: %s\n", k.name, seed, x.Kind, x.Name, x.Hz, x.Amplitude, x.Evidence, list(truth))
	}
	for i, y := range truth {
		if !found[i] && y.kind != poweroff.BladePass && i != 3 {
			t.missing++
		}
	}
	if res.SupplyHz > 0 {
		t.supply = append(t.supply, res.SupplyHz-k.hz)
	}
	return nil
}

func list(ts []said) string {
	var out []string
	for _, t := range ts {
		out = append(out, fmt.Sprintf("%s %.3f", t.kind, t.hz))
	}
	return strings.Join(out, ", ")
}

// strangers adds a neighbour's steady tone and a belt that follows the fan.
func strangers(r *rand.Rand, rec *rig.Recording, run float64, beside []said) (out []said) {
	size := 0.0
	for _, v := range rec.Samples[0][:int(rec.Rate)] {
		size += v * v / rec.Rate
	}
	size = math.Sqrt(size)
	free := func(hz float64) bool {
		for _, b := range append(beside, out...) {
			if math.Abs(b.hz-hz) < 0.2 {
				return false
			}
		}
		return true
	}
	if r.Float64() < 0.6 { // a neighbour, near 1x in half of the cases
		hz := 8 + 190*r.Float64()
		if r.Float64() < 0.5 {
			hz = run * (1 + 0.06*(r.Float64()-0.5))
		}
		if free(hz) {
			a, phase := size*(0.1+0.6*r.Float64()), 2*math.Pi*r.Float64()
			for c := range rec.Samples {
				g := 0.3 + 0.7*r.Float64()
				for i := range rec.Samples[c] {
					rec.Samples[c][i] += a * g * math.Cos(2*math.Pi*hz*float64(i)/rec.Rate+phase)
				}
			}
			out = append(out, said{poweroff.Elsewhere, hz})
		}
	}
	ratio := 0.3 + 0.6*r.Float64()
	if hz := ratio * run; r.Float64() < 0.4 && free(hz) {
		a := size * (0.1 + 0.5*r.Float64())
		turns := turnsOf(rec)
		for c := range rec.Samples {
			g := 0.3 + 0.7*r.Float64()
			for i := range rec.Samples[c] {
				n, speed := turns(i)
				rec.Samples[c][i] += a * g * speed * speed / (run * run) * math.Cos(2*math.Pi*ratio*n)
			}
		}
		out = append(out, said{poweroff.Follows, hz})
	}
	return out
}

// second adds a second order, that twice the line then stands beside.
func second(r *rand.Rand, rec *rig.Recording, run float64) said {
	a, turns := 0.2+0.8*r.Float64(), turnsOf(rec)
	for c := range rec.Samples {
		g := a * (0.3 + 0.7*r.Float64())
		for i := range rec.Samples[c] {
			n, speed := turns(i)
			rec.Samples[c][i] += g * speed * speed / (run * run) * math.Cos(4*math.Pi*n)
		}
	}
	return said{poweroff.Order, 2 * run}
}

// turnsOf is the number of turns and their rate in Hz at a sample, from edges.
func turnsOf(rec *rig.Recording) func(i int) (n, hz float64) {
	var at, n []float64
	for _, e := range rec.Edges {
		if k := len(at); k == 0 {
			at, n = append(at, e), append(n, 0)
		} else if gap := e - at[k-1]; k == 1 || gap > 0.7*(at[k-1]-at[k-2])/(n[k-1]-n[k-2]) {
			step := 1.0
			if k > 1 {
				step = math.Max(1, math.Round(gap/((at[k-1]-at[k-2])/(n[k-1]-n[k-2]))))
			}
			at, n = append(at, e), append(n, n[k-1]+step)
		}
	}
	k := 0
	return func(i int) (float64, float64) {
		if i == 0 {
			k = 0
		}
		for k < len(at)-2 && at[k+1] < float64(i) {
			k++
		}
		rate := (n[k+1] - n[k]) / (at[k+1] - at[k])
		return n[k] + (float64(i)-at[k])*rate, rate * rec.Rate
	}
}
