package casefile

import (
	"bytes"
	"encoding/json"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"counterpoise/internal/balance"
)

// contract is the example of the documented case file.
const contract = `{"convention": "with-rotation", "unit": "mm/s", "detector": "rms", "speed_rpm": 1480,
 "machine": {"mass_kg": 120, "grade": 6.3},
 "planes": [{"name": "hub front", "radius_mm": 300, "positions": 16, "first_position_deg": 0, "cap_g": 200}],
 "sensors": [{"name": "DE-H", "tolerance": 1.8}],
 "runs": [
  {"name": "as found", "weights": [], "vectors": [{"amplitude": 4.81, "phase_deg": 16.8}]},
  {"name": "trial", "weights": [{"plane": "hub front", "mass_g": 103.25, "angle_deg": 0}],
   "vectors": [{"amplitude": 4.7628, "phase_deg": 299.9}]}]}`

func answer(t *testing.T, text string) Result {
	t.Helper()
	j, err := Read(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	a, err := balance.Solve(j.Case, j.Options)
	if err != nil {
		t.Fatal(err)
	}
	return j.Result(a)
}

// The keys and figures that programs may rely on.
func TestContractExample(t *testing.T) {
	var b bytes.Buffer
	if err := answer(t, contract).Write(&b); err != nil {
		t.Fatal(err)
	}
	var m struct {
		Schema      int
		Influence   [][]map[string]float64
		Corrections []struct {
			Plane   string
			Mass    float64         `json:"mass_g"`
			Angle   float64         `json:"angle_deg"`
			MassCI  json.RawMessage `json:"mass_ci95_g"`
			AngleCI json.RawMessage `json:"angle_ci95_deg"`
			Placed  []map[string]float64
			Further map[string]float64
		}
		Predicted []struct {
			Sensor    string
			Amplitude float64
			Radius    json.RawMessage `json:"radius95"`
		}
		Misfit       *float64
		Alternatives []any
		Verdicts     []map[string]string
	}
	if err := json.Unmarshal(b.Bytes(), &m); err != nil {
		t.Fatal(err)
	}
	c := m.Corrections[0]
	if m.Schema != 1 || c.Plane != "hub front" || string(c.MassCI) != "null" || string(c.AngleCI) != "null" || string(m.Predicted[0].Radius) != "null" ||
		m.Misfit == nil || m.Alternatives == nil || m.Verdicts == nil || len(c.Placed) != 2 || m.Predicted[0].Sensor != "DE-H" {
		t.Errorf("%s", b.String())
	}
	near := func(what string, got, want, tol float64) {
		if !(math.Abs(got-want) <= tol) {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	near("influence per gram", m.Influence[0][0]["amplitude"], 0.0577, 5e-5)
	near("its phase", m.Influence[0][0]["phase_deg"], 248.0, 0.05)
	near("mass", c.Mass, 83.43, 5e-3)
	near("angle", c.Angle, 308.81, 5e-3)
	near("first place", c.Placed[0]["mass_g"], 23.52, 5e-3)
	near("second place", c.Placed[1]["mass_g"], 61.21, 5e-3)
	near("its number", c.Placed[1]["position"], 15, 0)
	further := cmplx.Rect(c.Further["mass_g"], c.Further["angle_deg"]*math.Pi/180)
	near("further", cmplx.Abs(further-cmplx.Rect(c.Mass, c.Angle*math.Pi/180)+103.25), 0, 1e-9)
	near("residual", m.Predicted[0].Amplitude, 0, 1e-9)
}

// edit changes a case as JSON.
func edit(t *testing.T, text string, f func(m map[string]any)) string {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		t.Fatal(err)
	}
	f(m)
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func eachVector(m map[string]any, f func(v map[string]any)) {
	for _, r := range m["runs"].([]any) {
		for _, v := range r.(map[string]any)["vectors"].([]any) {
			f(v.(map[string]any))
		}
	}
}

func eachWeight(m map[string]any, f func(w map[string]any)) {
	for _, r := range m["runs"].([]any) {
		for _, w := range r.(map[string]any)["weights"].([]any) {
			f(w.(map[string]any))
		}
	}
}

func negate(m map[string]any, key string) { m[key] = math.Mod(720-m[key].(float64), 360) }

// Units, detectors and conventions change the display and nothing else: every way of
// writing the same job asks for the same physical weight.
func TestOneJobWrittenManyWays(t *testing.T) {
	moved := edit(t, contract, func(m map[string]any) { // a trial that is not at zero, with errors
		eachWeight(m, func(w map[string]any) { w["angle_deg"] = 50.0 })
		eachVector(m, func(v map[string]any) { v["standard_error"] = 0.02 })
	})
	base := answer(t, moved).Corrections[0]
	inside := cmplx.Rect(base.MassG, base.AngleDeg*math.Pi/180)
	for name, k := range map[string]struct {
		f       func(m map[string]any)
		against bool
		scale   float64
	}{
		"against rotation": {func(m map[string]any) {
			m["convention"] = "against-rotation"
			eachVector(m, func(v map[string]any) { negate(v, "phase_deg") })
			eachWeight(m, func(w map[string]any) { negate(w, "angle_deg") })
		}, true, 1},
		"lag": {func(m map[string]any) {
			m["phase"] = "lag"
			eachVector(m, func(v map[string]any) { negate(v, "phase_deg") })
		}, false, 1},
		"lag in each run": {func(m map[string]any) {
			for _, r := range m["runs"].([]any) {
				r.(map[string]any)["phase"] = "lag"
			}
			eachVector(m, func(v map[string]any) { negate(v, "phase_deg") })
		}, false, 1},
		"lag in one reading": {func(m map[string]any) {
			first := true
			eachVector(m, func(v map[string]any) {
				if first {
					v["phase"] = "lag"
					negate(v, "phase_deg")
				}
				first = false
			})
		}, false, 1},
		"against rotation with a lead": {func(m map[string]any) {
			m["convention"], m["phase"] = "against-rotation", "lead"
			eachWeight(m, func(w map[string]any) { negate(w, "angle_deg") })
		}, true, 1},
		"peak": {func(m map[string]any) {
			m["detector"] = "peak"
			eachVector(m, func(v map[string]any) {
				v["amplitude"] = v["amplitude"].(float64) * math.Sqrt2
				v["standard_error"] = v["standard_error"].(float64) * math.Sqrt2
			})
		}, false, math.Sqrt2},
		"inches": {func(m map[string]any) {
			m["unit"] = "in/s"
			eachVector(m, func(v map[string]any) {
				v["amplitude"] = v["amplitude"].(float64) / 25.4
				v["standard_error"] = v["standard_error"].(float64) / 25.4
			})
		}, false, 1 / 25.4},
		"trial at twice the radius": {func(m map[string]any) {
			eachWeight(m, func(w map[string]any) { w["radius_mm"], w["mass_g"] = 600.0, 103.25/2 })
		}, false, 1},
		"no detector": {func(m map[string]any) { delete(m, "detector") }, false, 1},
	} {
		r := answer(t, edit(t, moved, k.f))
		c := r.Corrections[0]
		angle := c.AngleDeg
		if k.against {
			angle = -angle
		}
		if d := cmplx.Abs(cmplx.Rect(c.MassG, angle*math.Pi/180) - inside); !(d <= 1e-9*base.MassG) {
			t.Errorf("%s: %.6f g at %.6f, not %.6f at %.6f", name, c.MassG, c.AngleDeg, base.MassG, base.AngleDeg)
		}
		if !(math.Abs(c.MassCI[0]-base.MassCI[0]) <= 1e-6*base.MassG) || !(c.AngleCI[0] <= c.AngleDeg && c.AngleDeg <= c.AngleCI[1]) ||
			!(math.Abs((c.AngleCI[1]-c.AngleCI[0])-(base.AngleCI[1]-base.AngleCI[0])) <= 1e-6) {
			t.Errorf("%s: intervals %v %v, want %v %v", name, *c.MassCI, *c.AngleCI, *base.MassCI, *base.AngleCI)
		}
		if !(math.Abs(*r.Predicted[0].Radius95/k.scale-*answer(t, moved).Predicted[0].Radius95) <= 1e-6) {
			t.Errorf("%s: radius %g", name, *r.Predicted[0].Radius95)
		}
		if len(c.Placed) != 2 {
			t.Errorf("%s: placed %v", name, c.Placed)
			continue
		}
		sum := complex(0, 0)
		for _, p := range c.Placed {
			a := p.AngleDeg
			if k.against {
				a = -a
			}
			sum += cmplx.Rect(p.MassG, a*math.Pi/180)
		}
		if d := cmplx.Abs(sum - inside); !(d <= 1e-6*base.MassG) {
			t.Errorf("%s: the placed weights miss by %g g", name, d)
		}
	}
}

func TestUnreadableCases(t *testing.T) {
	for name, k := range map[string]struct{ text, want string }{
		"empty":           {"", "empty"},
		"list":            {"[]", "one object in braces"},
		"no convention":   {`{"planes": []}`, "convention"},
		"bad phase":       {strings.Replace(contract, `"phase_deg": 16.8`, `"phase_deg": 16.8, "phase": "left"`, 1), "lead or lag"},
		"bad detector":    {strings.Replace(contract, `"rms"`, `"average"`, 1), "detector"},
		"bad method":      {strings.Replace(contract, `"speed_rpm": 1480,`, `"options": {"method": "magic"},`, 1), "method"},
		"infinite":        {strings.Replace(contract, "4.81", "1e999", 1), "line 6"},
		"negative":        {strings.Replace(contract, "4.81", "-4.81", 1), "never below zero"},
		"no amplitude":    {strings.Replace(contract, `"amplitude": 4.81, `, "", 1), "no amplitude"},
		"no mass":         {strings.Replace(contract, `"mass_g": 103.25, `, "", 1), "mass_g"},
		"positions":       {strings.Replace(contract, `"positions": 16`, `"positions": -1`, 1), "positions"},
		"forbidden":       {strings.Replace(contract, `"positions": 16`, `"positions": 16, "forbidden": [17]`, 1), "17"},
		"negative error":  {strings.Replace(contract, `"phase_deg": 16.8`, `"phase_deg": 16.8, "standard_error": -1`, 1), "standard error"},
		"no readings":     {strings.Replace(contract, `[{"amplitude": 4.81, "phase_deg": 16.8}]`, `[]`, 1), "no readings"},
		"negative radius": {strings.Replace(contract, `"radius_mm": 300`, `"radius_mm": -300`, 1), "radius"},
		"cut short":       {contract[:200], "line"},
	} {
		if strings.TrimSpace(k.text) == contract {
			t.Fatalf("%s: nothing was changed", name)
		}
		_, err := Read(strings.NewReader(k.text))
		if err == nil || !strings.Contains(err.Error(), k.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want a sentence with %q", name, err, k.want)
		}
	}
}

func TestTextAnswerShowsCautions(t *testing.T) {
	var b bytes.Buffer
	if err := answer(t, contract).WriteText(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"83.43 g at 308.8 deg", "place 15", "lock out", "weld return", "plane of rotation", "no errors were stated"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q is missing from\n%s", want, b.String())
		}
	}
}

func TestOptionsAndPriorFromTheFile(t *testing.T) {
	with := edit(t, contract, func(m map[string]any) {
		eachVector(m, func(v map[string]any) { v["standard_error"] = 0.02; v["degrees_of_freedom"] = 15.0 })
		m["errors"] = map[string]any{"mass_percent": 1.0, "angle_deg": 1.0, "repeat_percent": 0.5}
		m["options"] = map[string]any{"method": "min-max", "seed": 3.0}
		m["prior"] = map[string]any{"influence": [][]map[string]any{{{"amplitude": 0.0577, "phase_deg": 248.0}}}, "standard_deviation": [][]float64{{0.003}},
			"fingerprint": map[string]any{"sensors": []string{"DE-H"}, "speed_rpm": 1480.0, "radii_mm": []float64{300}}}
	})
	r := answer(t, with)
	if r.Method != "min-max" || r.Corrections[0].MassCI == nil || r.Certificate == nil || len(r.Directions) != 1 {
		t.Errorf("%+v", r)
	}
	for _, v := range r.Verdicts {
		if strings.HasPrefix(v.Code, "prior") {
			t.Errorf("a fitting prior was not taken: %s", v.Text)
		}
	}
	r = answer(t, strings.Replace(with, `"radii_mm":[300]`, `"radii_mm":[250]`, 1))
	if !strings.Contains(r.Verdicts[0].Text, "radius") {
		t.Errorf("%v", r.Verdicts)
	}
	// One shot from the prior alone, as found only.
	one := edit(t, with, func(m map[string]any) { m["runs"] = m["runs"].([]any)[:1] })
	if c := answer(t, one).Corrections[0]; !(math.Abs(c.MassG-83.4) <= 2) || c.MassCI == nil {
		t.Errorf("one shot: %+v", c)
	}
}

// No text may bring the reader or the solver down, and what they answer must be
// writable.
func FuzzRead(f *testing.F) {
	files, _ := filepath.Glob("../../../testdata/published/*.json")
	if len(files) == 0 {
		f.Fatal("no seed cases were found")
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		var p published
		if err := json.Unmarshal(b, &p); err != nil {
			f.Fatal(err)
		}
		f.Add([]byte(p.Case))
	}
	f.Add([]byte(contract))
	f.Add([]byte(`{"convention":"with-rotation","planes":[{"name":"a","positions":3,"masses_g":[1]}],"sensors":[{"name":"s"}],"runs":[{"weights":[],"vectors":[null]}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		j, err := Read(bytes.NewReader(b))
		if err != nil {
			return
		}
		if len(j.Case.Planes) > 4 || len(j.Case.Sensors) > 8 || len(j.Case.Runs) > 12 {
			return
		}
		j.Options.Draws = 10
		a, err := balance.Solve(j.Case, j.Options)
		if err != nil {
			return
		}
		for i := range j.Case.Planes { // the search for places has fuzzing of its own
			j.Case.Planes[i].Masses = nil
		}
		if err := j.Result(a).Write(new(bytes.Buffer)); err != nil {
			t.Fatalf("the answer cannot be written: %v", err)
		}
	})
}

// The other questions that a case file answers.
func TestTrialToleranceAndProof(t *testing.T) {
	j, err := Read(strings.NewReader(edit(t, contract, func(m map[string]any) {
		m["runs"] = m["runs"].([]any)[:1]
		m["convention"] = "against-rotation"
		m["sensors"].([]any)[0].(map[string]any)["trip"] = 11.0
		m["machine"].(map[string]any)["bearings"] = map[string]any{"to_a_mm": 800.0, "to_b_mm": 200.0, "overhung": true}
		m["prior"] = map[string]any{"influence": [][]map[string]any{{{"amplitude": 0.3, "phase_deg": 112.0}}}, "standard_deviation": [][]float64{{0.06}},
			"fingerprint": map[string]any{"sensors": []string{"DE-H"}, "speed_rpm": 1480.0, "radii_mm": []float64{300}}}
	})))
	if err != nil {
		t.Fatal(err)
	}
	trial, err := j.Trial(false)
	if err != nil {
		t.Fatal(err)
	}
	p := trial.Planes[0]
	if p.MassG == nil || p.AngleDeg == nil || p.Position == nil || !strings.Contains(trial.Cautions, "lock out") {
		t.Fatalf("%+v", trial)
	}
	if !(math.Abs(*p.MassG-0.5*4.81/0.3) <= 1e-6) { // half the reading by the known effect
		t.Errorf("%g g", *p.MassG)
	}
	// against rotation place 2 stands at 22.5 degrees; opposite the effect is 180+16.8-112 = 84.8
	if !(math.Abs(*p.AngleDeg-90) <= 1e-9) || *p.Position != 5 {
		t.Errorf("at %g, place %d", *p.AngleDeg, *p.Position)
	}
	tol, err := j.Tolerance()
	if err != nil {
		t.Fatal(err)
	}
	if !(math.Abs(tol.PermissibleGMM-4877.88) <= 0.01) || !(math.Abs(tol.Bearings[1].PermissibleGMM-6341.2) <= 0.1) || len(tol.Notes) == 0 {
		t.Errorf("%+v", tol)
	}
	j.Case.Machine.Mass = 0
	if _, err := j.Tolerance(); err == nil {
		t.Error("a tolerance without a mass")
	}
	if trial, _ := j.Trial(false); trial.Planes[0].MassG != nil {
		t.Errorf("a mass with an unknown force: %+v", trial)
	}

	proof := `{"convention": "with-rotation", "test_unbalance_g_mm": 518.47, "permissible_g_mm": 400, "readings": [{"angle_deg": 0, "value": 14},
	 {"angle_deg": 60, "value": 12}, {"angle_deg": 120, "value": 14}, {"angle_deg": 180, "value": 23.5}, {"angle_deg": 240, "value": 23}, {"angle_deg": 300, "value": 15.5}]}`
	r, err := Prove(strings.NewReader(proof))
	if err != nil {
		t.Fatal(err)
	}
	if !(math.Abs(r.ResidualGMM/r.ExtremesGMM-1.246) <= 1e-3) || r.Accepted == nil || *r.Accepted || !(math.Abs(r.Radius95GMM/r.ErrorGMM-3.182) <= 1e-3) { // Student's t of three degrees of freedom, any table
		t.Errorf("%+v", r)
	}
	for _, bad := range []string{"", "{}", strings.Replace(proof, `"value": 12`, `"value": -12`, 1), strings.Replace(proof, `, "value": 12`, "", 1)} {
		if _, err := Prove(strings.NewReader(bad)); err == nil {
			t.Errorf("%q was accepted", bad)
		}
	}
}
