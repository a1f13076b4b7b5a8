package main

import (
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"testing"

	"counterpoise/internal/balance"
	"counterpoise/internal/blades"
	"counterpoise/internal/job"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
)

type sequence struct {
	Rig       string  `json:"rig"`
	Tolerance float64 `json:"sensor_tolerance_mm_s_rms"`
	Depth     float64 `json:"survey_error_mm"`
	Angle     float64 `json:"survey_error_deg"`
	Verdicts  []struct {
		Stage string `json:"stage"`
		Code  string `json:"code"`
	} `json:"verdicts"`
}

// The whole sequence on a fan that is part bent, part out of balance: weights
// in one plane do not cure it, the survey says straighten, and after that one
// plane does. Common practice, no source; the fan is invented, so this shows
// that the pieces agree, not that a real fan would behave so.
func TestBentFanFromFirstReadingToBalanced(t *testing.T) {
	data, err := os.ReadFile("../../testdata/blade-sequence.json")
	if err != nil {
		t.Fatal(err)
	}
	var q sequence
	if err := json.Unmarshal(data, &q); err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(4) {
		q.play(t, seed)
	}
}

func (q sequence) play(t *testing.T, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 77))
	g, err := rig.New(q.Rig, seed)
	if err != nil {
		t.Fatal(err)
	}
	b := &bentRig{Rig: g, d: g.Describe(), planes: g.Planes()}
	b.run = 2 * math.Pi * b.d.RunHz
	if err := b.influence(); err != nil {
		t.Fatal(err)
	}
	want := map[string]string{}
	for _, v := range q.Verdicts {
		want[v.Stage] = v.Code
	}
	expect := func(stage, code string) {
		if code != want[stage] {
			t.Errorf("seed %d, %s: %q, want %q", seed, stage, code, want[stage])
		}
	}
	expect("one plane", q.onePlane(t, b, r))
	res, cause := q.cause(t, b, r)
	expect("cause", cause)
	if err := b.follow(r, res, q.Depth*1e-3, q.Angle*degree); err != nil {
		t.Fatal(err)
	}
	expect("one plane, straightened", q.onePlane(t, b, r))
	_, cause = q.cause(t, b, r)
	expect("cause, straightened", cause)
	if proof := q.weigh(t, b, r); !proof.Has(want["proof"]) {
		t.Errorf("seed %d, proof: %v", seed, proof.Verdicts)
	}
}

// onePlane asks after a trial in the first plane.
func (q sequence) onePlane(t *testing.T, b *bentRig, r *rand.Rand) string {
	t.Helper()
	call, err := balance.OnePlane(q.runs(t, b, r, b.planes[:1]), b.planes[0].Name, balance.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return call.Code
}

// runs measures as found and one trial in each of the planes.
func (q sequence) runs(t *testing.T, b *bentRig, r *rand.Rand, planes []rotor.Plane) balance.Case {
	t.Helper()
	c := balance.Case{Planes: planes, Errors: balance.Errors{Mass: 0.01, Angle: degree}}
	for range b.sensors() {
		c.Sensors = append(c.Sensors, balance.Sensor{Name: "s", Tolerance: q.Tolerance * 1e-3 * math.Sqrt2})
	}
	c.Runs = append(c.Runs, b.read(r, "as found", nil))
	for _, p := range planes {
		w := rotor.Weight{Plane: p.Name, Mass: 0.008, Angle: 1, Radius: p.Radius}
		if err := b.Fit([]rotor.Weight{w}); err != nil {
			t.Fatal(err)
		}
		c.Runs = append(c.Runs, b.read(r, "trial "+p.Name, []rotor.Weight{w}))
	}
	if err := b.Fit(nil); err != nil {
		t.Fatal(err)
	}
	return c
}

// cause surveys the blades and weighs that against two trials.
func (q sequence) cause(t *testing.T, b *bentRig, r *rand.Rand) (*blades.Result, string) {
	t.Helper()
	res, err := blades.Judge(b.survey(r, q.Depth*1e-3, q.Angle*degree, true))
	if err != nil {
		t.Fatal(err)
	}
	ans, err := balance.Solve(q.runs(t, b, r, b.planes), balance.Options{})
	if err != nil {
		t.Fatal(err)
	}
	e := blades.Evidence{Survey: res, Sensors: b.sensors()}
	if e.Couple, e.Static, e.CoupleCov, e.CoupleKnown = job.MeasuredCouple(b.planes, ans, b.d.WheelZ); !e.CoupleKnown {
		t.Fatalf("the solver states no error: %v", ans.Verdicts)
	}
	e.CoupleLimit = q.coupleLimit(b)
	return res, blades.MassOrGeometry(e).Code
}

// coupleLimit is the couple that alone would reach the tolerance of a sensor.
func (q sequence) coupleLimit(b *bentRig) float64 {
	least := math.Inf(1)
	for _, a := range b.answers {
		least = min(least, q.Tolerance*1e-3*math.Sqrt2/cmplx.Abs(a.Couple))
	}
	return least
}

// weigh balances in one plane, fits the weight and reads once more.
func (q sequence) weigh(t *testing.T, b *bentRig, r *rand.Rand) balance.Answer {
	t.Helper()
	c := q.runs(t, b, r, b.planes[:1])
	for range 2 {
		ans, err := balance.Solve(c, balance.Options{Method: balance.MinMax})
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Runs) > 2 {
			return ans
		}
		mass, angle := cmplx.Polar(ans.Corrections[0].Total)
		w := []rotor.Weight{{Plane: b.planes[0].Name, Mass: mass, Angle: angle, Radius: b.planes[0].Radius}}
		if err := b.Fit(w); err != nil {
			t.Fatal(err)
		}
		c.Runs = append(c.Runs, b.read(r, "proof", w))
	}
	return balance.Answer{}
}
