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

// published is a case from outside the project with its source beside it; the
// files lie in testdata/published at the top of the repository.
type published struct {
	Source string          `json:"source"`
	Mark   string          `json:"mark"`
	Note   string          `json:"note"`
	Case   json.RawMessage `json:"case"`
	Expect struct {
		Corrections []pair       `json:"corrections"` // recomputed with numpy from the printed inputs
		Tolerance   float64      `json:"mass_tolerance_g"`
		Published   []pair       `json:"published"` // as printed
		PubTol      pair         `json:"published_tolerance"`
		Wrong       []pair       `json:"wrong"`               // a printed answer that is wrong
		Unbalance   []pair       `json:"unbalance_published"` // printed for the unbalance, not the correction
		Placed      [][3]float64 `json:"placed"`
		Misfit      *float64     `json:"misfit"`
		Verdict     string       `json:"verdict"`
		Intervals   bool         `json:"intervals"` // the case states errors
	} `json:"expect"`
}

type pair [2]float64

func (p pair) phasor() complex128 { return cmplx.Rect(p[0], p[1]*math.Pi/180) }

func TestPublishedCases(t *testing.T) {
	files, err := filepath.Glob("../../../testdata/published/*.json")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 8 {
		t.Fatalf("found %d published cases, want at least 8: a test that passes on nothing proves nothing", len(files))
	}
	for _, f := range files {
		t.Run(strings.TrimSuffix(filepath.Base(f), ".json"), func(t *testing.T) { testPublished(t, f) })
	}
}

func testPublished(t *testing.T, file string) {
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var p published
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&p); err != nil {
		t.Fatal(err)
	}
	if p.Source == "" || p.Mark == "" || len(p.Expect.Corrections) == 0 {
		t.Fatal("a published case needs source, mark and corrections")
	}
	job, err := Read(bytes.NewReader(p.Case))
	if err != nil {
		t.Fatal(err)
	}
	a, err := balance.Solve(job.Case, job.Options)
	if err != nil {
		t.Fatal(err)
	}
	r := job.Result(a)
	near := func(what string, got Mass, want pair, tol float64) {
		t.Helper()
		diff := cmplx.Abs(pair{got.MassG, got.AngleDeg}.phasor() - want.phasor())
		if !(diff <= tol) {
			t.Errorf("%s: %.6f at %.6f, want %.6f at %.6f", what, got.MassG, got.AngleDeg, want[0], want[1])
		}
	}
	for i, c := range r.Corrections {
		near("correction", Mass{c.MassG, c.AngleDeg}, p.Expect.Corrections[i], p.Expect.Tolerance)
		if (c.MassCI != nil) != p.Expect.Intervals || (c.AngleCI != nil) != p.Expect.Intervals {
			t.Error("intervals belong where errors were stated, and only there")
		}
		if i < len(p.Expect.Published) {
			want := p.Expect.Published[i]
			if !(math.Abs(c.MassG-want[0]) <= p.Expect.PubTol[0]) || !(math.Abs(c.AngleDeg-want[1]) <= p.Expect.PubTol[1]) {
				t.Errorf("%.4f at %.4f is not what was published, %v", c.MassG, c.AngleDeg, want)
			}
		}
		if i < len(p.Expect.Unbalance) { // five printed digits
			u := p.Expect.Unbalance[i]
			near("opposite of the printed unbalance", Mass{c.MassG, c.AngleDeg}, pair{u[0], u[1] + 180}, 1e-4)
		}
	}
	for i, want := range p.Expect.Placed {
		if len(r.Corrections[0].Placed) != len(p.Expect.Placed) {
			t.Fatalf("placed %v, want %v", r.Corrections[0].Placed, p.Expect.Placed)
		}
		got := r.Corrections[0].Placed[i]
		if got.Position != int(want[0]) || !(math.Abs(got.AngleDeg-want[1]) <= 1e-9) || !(math.Abs(got.MassG-want[2]) <= 1e-6) {
			t.Errorf("placed %v, want %v", got, want)
		}
	}
	if m := p.Expect.Misfit; m != nil && !(math.Abs(r.Misfit-*m) <= 1e-6) {
		t.Errorf("misfit %.6f, want %.6f", r.Misfit, *m)
	}
	if v := p.Expect.Verdict; v != "" && !a.Has(v) {
		t.Errorf("verdict %q is missing from %v", v, a.Verdicts)
	}
	if len(p.Expect.Wrong) > 0 {
		testTrap(t, &job, a, p.Expect.Wrong)
	}
}

// testTrap shows that ours nulls the vibration and the printed answer does not.
func testTrap(t *testing.T, job *Job, a balance.Answer, wrong []pair) {
	residual := func(w []complex128) (worst float64) {
		for i := range a.AsFound {
			v := a.AsFound[i]
			for p := range w {
				v += a.Influence[i][p] * w[p]
			}
			worst = math.Max(worst, cmplx.Abs(v)/cmplx.Abs(a.AsFound[i]))
		}
		return worst
	}
	ours, theirs := make([]complex128, len(wrong)), make([]complex128, len(wrong))
	for p := range wrong {
		ours[p] = a.Corrections[p].Total
		theirs[p] = wrong[p].phasor() * 1e-3
	}
	if r := residual(ours); !(r <= 1e-12) {
		t.Errorf("our correction leaves %g of the vibration", r)
	}
	if r := residual(theirs); !(r > 0.5) {
		t.Errorf("the printed answer leaves %g of the vibration: it was held to be wrong", r)
	}
}
