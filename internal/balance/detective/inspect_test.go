package detective

import (
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"testing"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

// work is a two-plane job worked by hand: influence and as-found vectors are
// given, the runs are what the rotor would show. what says which weights are
// really there in each run, change what is done to the readings.
func work(change func(run int, ws []rotor.Weight) []rotor.Weight, after func(run int, v []complex128)) balance.Case {
	a := [][2]complex128{{cmplx.Rect(100, 0.4), cmplx.Rect(35, 1.1)}, {cmplx.Rect(30, -0.7), cmplx.Rect(90, 2.3)}}
	v0 := []complex128{cmplx.Rect(7, 2.2), cmplx.Rect(5, -1)}
	c := balance.Case{Sensors: []balance.Sensor{{Name: "DE-H"}, {Name: "NDE-H"}}}
	for _, n := range []string{"front", "back"} {
		c.Planes = append(c.Planes, rotor.Plane{Name: n, Radius: 0.2, Positions: rotor.EvenPositions(12, 0, rotor.WithRotation)})
	}
	hole := func(plane string, n int, m float64) rotor.Weight {
		return rotor.Weight{Plane: plane, Mass: m, Angle: float64(n-1) * math.Pi / 6}
	}
	runs := [][]rotor.Weight{
		nil,
		{hole("front", 3, 0.045)},
		{hole("back", 6, 0.05)},
		{hole("front", 9, 0.06), hole("back", 2, 0.055)},
	}
	for i, ws := range runs {
		there := slices.Clone(ws)
		if change != nil {
			there = change(i, there)
		}
		v := slices.Clone(v0)
		for _, w := range there {
			p := slices.Index([]string{"front", "back"}, w.Plane)
			for s := range v {
				v[s] += a[s][p] * w.Phasor(0.2)
			}
		}
		if after != nil {
			after(i, v)
		}
		run := balance.Run{Name: []string{"as found", "trial front", "trial back", "proof"}[i], Weights: ws}
		for s := range v {
			run.Vectors = append(run.Vectors, balance.Vector{V: v[s], Cov: rotor.Isotropic(0.08 * 0.08), Known: true})
		}
		c.Runs = append(c.Runs, run)
	}
	return c
}

func TestEverySlipIsNamed(t *testing.T) {
	in := func(run int, f func(w *rotor.Weight)) func(int, []rotor.Weight) []rotor.Weight {
		return func(r int, ws []rotor.Weight) []rotor.Weight {
			for i := range ws {
				if r == run || run < 0 {
					f(&ws[i])
				}
			}
			return ws
		}
	}
	left := func(r int, ws []rotor.Weight) []rotor.Weight {
		if r > 1 {
			ws = append(ws, rotor.Weight{Plane: "front", Mass: 0.045, Angle: math.Pi / 3})
		}
		return ws
	}
	reading := func(run int, f func(v []complex128)) func(int, []complex128) {
		return func(r int, v []complex128) {
			if r == run {
				f(v)
			}
		}
	}
	for _, c := range []struct {
		slip Slip
		run  int
		c    balance.Case
		say  string
	}{
		{AnglesReversed, -1, work(in(-1, func(w *rotor.Weight) { w.Angle = -w.Angle }), nil), "every run"},
		{WeightMirrored, 3, work(in(3, func(w *rotor.Weight) { w.Angle = -w.Angle }), nil), `"proof"`},
		{Opposite, 3, work(in(3, func(w *rotor.Weight) { w.Angle += math.Pi }), nil), "opposite side"},
		{Opposite, 1, work(in(1, func(w *rotor.Weight) { w.Angle += math.Pi }), nil), "trial front"},
		{WrongHole, 2, work(in(2, func(w *rotor.Weight) { w.Angle += math.Pi / 6 }), nil), "place 7"},
		{NotFitted, 3, work(in(3, func(w *rotor.Weight) {
			if w.Plane == "back" {
				w.Mass = 0
			}
		}), nil), "55 g in back"},
		{TrialLeftOn, 1, work(left, nil), "45 g in front"},
		{WrongPlane, 1, work(in(1, func(w *rotor.Weight) { w.Plane = "back" }), nil), "other plane"},
		{SensorsSwapped, 2, work(nil, reading(2, func(v []complex128) { v[0], v[1] = v[1], v[0] })), "NDE-H"},
		{SensorTurned, 1, work(nil, reading(1, func(v []complex128) { v[1] = -v[1] })), "NDE-H"},
		{PhaseMoved, 0, work(nil, reading(0, func(v []complex128) { v[0] *= cmplx.Rect(1, 0.6); v[1] *= cmplx.Rect(1, 0.6) })), "as found"},
	} {
		got := Inspect(c.c)
		if !got.Checked || !got.Alarm || got.Unexplained || len(got.Findings) == 0 {
			t.Errorf("%s: %+v", c.slip, got)
			continue
		}
		f := got.Findings[0]
		for _, g := range got.Findings[:got.Alike] { // one of those that cannot be told apart
			if g.Slip == c.slip && g.Run == c.run {
				f = g
			}
		}
		if f.Slip != c.slip || f.Run != c.run || !strings.Contains(f.What, c.say) && !strings.Contains(got.Text, c.say) || f.Advice == "" || !strings.Contains(got.Text, f.Advice) {
			t.Errorf("%s in run %d: named %s in run %d (%s), odds %.2f\n%s", c.slip, c.run, f.Slip, f.Run, f.What, f.Odds, got.Text)
		}
		if !(f.Chi2 < 1e-6) {
			t.Errorf("%s: the true slip leaves a misfit of %g in a job without noise", c.slip, f.Chi2)
		}
		if again := Inspect(f.Case); again.Alarm || !(again.Chi2 < 1e-6) {
			t.Errorf("%s: the rewritten case still has a misfit of %g", c.slip, again.Chi2)
		}
		if c.slip == PhaseMoved {
			near(t, "turn found", f.Turn, 0.6, 1e-6)
		}
	}
}

func TestGoodRunIsQuiet(t *testing.T) {
	got := Inspect(work(nil, nil))
	if !got.Checked || got.Alarm || len(got.Findings) != 0 || !strings.Contains(got.Text, "agree") {
		t.Errorf("%+v", got)
	}
	near(t, "degrees of freedom: 2 sensors, 4 runs, 3 unknowns", got.DoF, 4, 0)
}

// A trial at 90 degrees mirrored is a trial on the opposite side: one and the
// same thing on the rotor, said as one finding.
func TestTheSameThingIsOneFinding(t *testing.T) {
	c := balance.Case{Planes: []rotor.Plane{{Name: "hub"}}, Sensors: []balance.Sensor{{}}}
	a, v0 := cmplx.Rect(100, 1), complex128(6)
	for i, w := range []complex128{0, 0.04i, cmplx.Rect(0.06, 2.2)} {
		run := balance.Run{}
		if w != 0 {
			run.Weights = []rotor.Weight{{Plane: "hub", Mass: cmplx.Abs(w), Angle: cmplx.Phase(w)}}
		}
		if i == 1 {
			w = -w
		}
		run.Vectors = []balance.Vector{{V: v0 + a*w, Cov: rotor.Isotropic(0.01), Known: true}}
		c.Runs = append(c.Runs, run)
	}
	got := Inspect(c)
	if !got.Alarm || len(got.Findings) == 0 {
		t.Fatalf("%+v", got)
	}
	found := false
	for _, f := range got.Findings[:got.Alike] {
		both := append([]Slip{f.Slip}, f.Also...)
		found = found || f.Run == 1 && slices.Contains(both, Opposite) && slices.Contains(both, WeightMirrored)
	}
	if !found {
		t.Errorf("findings %+v", got.Findings)
	}
}

// A trial on the opposite side, or the correction of the same plane on the
// opposite side: the readings are the same up to the sign of what the plane does.
func TestWhatCannotBeToldApartIsSaid(t *testing.T) {
	got := Inspect(work(func(r int, ws []rotor.Weight) []rotor.Weight {
		if r == 1 {
			ws[0].Angle += math.Pi
		}
		return ws
	}, nil))
	if got.Alike != 2 || !strings.Contains(got.Text, "cannot be told apart") || !strings.Contains(got.Text, "trial front") || !strings.Contains(got.Text, "proof") {
		t.Errorf("%d alike: %s", got.Alike, got.Text)
	}
	near(t, "odds of each", got.Findings[1].Odds, got.Findings[0].Odds, 0.1)
}

func TestUnexplained(t *testing.T) {
	c := work(nil, func(r int, v []complex128) {
		if r == 3 {
			v[0], v[1] = v[0]+complex(9, 4), v[1]+complex(-7, 6)
		}
	})
	got := Inspect(c)
	if !got.Alarm || !got.Unexplained || !strings.Contains(got.Text, "none of the usual slips") {
		t.Errorf("%+v", got)
	}
}

func TestNotEnoughToCheck(t *testing.T) {
	c := work(nil, nil)
	c.Runs = c.Runs[:3]
	if got := Inspect(c); got.Checked || got.Alarm || !strings.Contains(got.Text, "proof run") {
		t.Errorf("no proof run: %+v", got)
	}
	c = work(nil, nil)
	for r := range c.Runs {
		for s := range c.Runs[r].Vectors {
			c.Runs[r].Vectors[s].NoPhase = true
		}
	}
	if got := Inspect(c); got.Checked || got.Text == "" {
		t.Errorf("no phase: %+v", got)
	}
	c = work(nil, nil)
	c.Runs[1].Vectors = c.Runs[1].Vectors[:1]
	if got := Inspect(c); got.Checked {
		t.Errorf("a vector is missing from the list: %+v", got)
	}
	c = work(nil, nil)
	c.Runs[1].Vectors[0].V = cmplx.NaN()
	if got := Inspect(c); got.Checked || !strings.Contains(got.Text, "not a number") {
		t.Errorf("NaN: %+v", got)
	}
	if got := Inspect(balance.Case{}); got.Checked || got.Text == "" {
		t.Errorf("empty: %+v", got)
	}
}

// Readings without a stated error still show a gross slip, and it is said that
// an error was assumed.
func TestErrorsAssumed(t *testing.T) {
	c := work(func(r int, ws []rotor.Weight) []rotor.Weight {
		if r == 3 {
			for i := range ws {
				ws[i].Angle += math.Pi
			}
		}
		return ws
	}, nil)
	for r := range c.Runs {
		for s := range c.Runs[r].Vectors {
			c.Runs[r].Vectors[s].Known, c.Runs[r].Vectors[s].Cov = false, rotor.Cov{}
		}
	}
	got := Inspect(c)
	if !got.Assumed || !got.Alarm || got.Findings[0].Slip != Opposite {
		t.Errorf("%+v", got)
	}
	// A speed far from the last run's is another machine: that run is left out.
	c.Runs[1].Speed, c.Runs[3].Speed = 100, 150
	if got = Inspect(c); got.Checked {
		t.Errorf("a run at another speed was compared: %+v", got)
	}
}
