package casefile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
)

// simple is a job whose correction is known by hand: the effect is 1 per gram at
// no angle, so the correction is the as-found reading turned round.
func simple(grams, deg float64, plane string) string {
	v := -cmplx.Rect(grams, deg*math.Pi/180)
	polar := func(z complex128) string {
		return fmt.Sprintf(`{"amplitude": %.12g, "phase_deg": %.12g}`, cmplx.Abs(z), cmplx.Phase(z)*180/math.Pi)
	}
	return fmt.Sprintf(`{"convention": "with-rotation", "speed_rpm": 1000, "planes": [{"name": "hub", %s}], "sensors": [{"name": "a"}],
 "runs": [{"weights": [], "vectors": [%s]}, {"weights": [{"plane": "hub", "mass_g": 10, "angle_deg": 0}], "vectors": [%s]}, {"weights": [], "vectors": [%s]}]}`,
		plane, polar(v), polar(v+10), polar(v))
}

func placements(t *testing.T, text string) PlacementResult {
	t.Helper()
	a, err := Answer(strings.NewReader(text), AskPlacement, false)
	if err != nil {
		t.Fatal(err)
	}
	return a.(PlacementResult)
}

func way(t *testing.T, r PlacementResult, kind string) OtherWay {
	t.Helper()
	for _, w := range r.Planes[0].Other {
		if w.Kind == kind {
			return w
		}
	}
	t.Fatalf("no %s among %+v; %v", kind, r.Planes[0].Other, r.Verdicts)
	return OtherWay{}
}

func about(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %g, want %g", what, got, want)
	}
}

// 100 g at 50 degrees onto 30 and 90: the sine rule, worked by hand; and 60 g at
// 10 degrees from two weights of 35 g: cos a = 60/70.
func TestPlacedByHand(t *testing.T) {
	c := answer(t, simple(100, 50, `"positions": 6, "first_position_deg": 30`)).Corrections[0]
	if len(c.Placed) != 2 {
		t.Fatalf("%+v", c)
	}
	about(t, "at 30", c.Placed[0].MassG, 74.22272, 1e-4)
	about(t, "at 90", c.Placed[1].MassG, 39.49308, 1e-4)
	w := way(t, placements(t, simple(60, 10, `"radius_mm": 100, "movable_g": [35]`)), "two-movable")
	about(t, "first", w.PutOn[0].AngleDeg, 41.0027, 1e-3)
	about(t, "second", w.PutOn[1].AngleDeg, 338.9973, 1e-3)
}

func TestOtherWays(t *testing.T) {
	r := placements(t, simple(60, 10, `"radius_mm": 100, "other_radii_mm": [150], "arc_deg": 60, "removal": {"maker_allows": true, "part": "rim", "max_depth_mm": 40, "density_kg_m3": 7850, "drill_mm": 20}`))
	about(t, "moment at 150 mm", way(t, r, "other-radius").PutOn[0].MassG, 40, 1e-6)
	about(t, "strip: a / sin a", way(t, r, "arc").PutOn[0].MassG, 60*(math.Pi/6)/0.5, 1e-6)
	d := way(t, r, "drill").Remove
	about(t, "drilled opposite", d.AngleDeg, 190, 1e-6)
	if !(d.DepthMM > 0 && d.DepthMM <= 40) {
		t.Errorf("depth %g mm", d.DepthMM)
	}
	for name, removal := range map[string]string{
		"not allowed": `{"part": "rim", "max_depth_mm": 40, "density_kg_m3": 7850, "drill_mm": 20}`,
		"a blade":     `{"maker_allows": true, "part": "blade", "max_depth_mm": 40, "density_kg_m3": 7850, "drill_mm": 20}`,
		"no depth":    `{"maker_allows": true, "part": "rim", "density_kg_m3": 7850, "drill_mm": 20}`,
	} {
		r := placements(t, simple(60, 10, `"radius_mm": 100, "removal": `+removal))
		for _, w := range r.Planes[0].Other {
			if w.Remove != nil {
				t.Errorf("%s: %s", name, w.Text)
			}
		}
		if b, _ := json.Marshal(r.Verdicts); !strings.Contains(string(b), "removal-refused") {
			t.Errorf("%s: %s", name, b)
		}
	}
}

// Clips, stock, forbidden places, words and drawing in one case.
func TestClipsStockAndWords(t *testing.T) {
	b, err := os.ReadFile("testdata/clips.json")
	if err != nil {
		t.Fatal(err)
	}
	r := answer(t, string(b))
	p := r.Corrections[0].Placement
	if p == nil || len(p.Tradeoff) < 2 || len(p.StockLeft) != 3 || len(p.Words) < 4 || !strings.Contains(p.Drawing, "the motor side") {
		t.Fatalf("%+v", p)
	}
	for _, q := range p.PutOn {
		if q.Position == 3 {
			t.Error("a weight on a forbidden place")
		}
	}
	for k, n := range p.StockLeft {
		if n < 0 {
			t.Errorf("stock %d: %d left", k, n)
		}
	}
	var text bytes.Buffer
	if err := r.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(text.String(), "e-1") || !strings.Contains(text.String(), "should show 0 mm/s") {
		t.Errorf("%s", text.String())
	}
	t.Log(text.String())
}

// Whatever is asked, no place and no plane is advised more than its cap.
func TestNeverOverTheCap(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 1))
	for range 60 {
		cap := 20 + 80*r.Float64()
		plane := fmt.Sprintf(`"radius_mm": 100, "positions": %d, "cap_g": %g, "max_force_n": %g, "masses_g": [5, 12, 30], "other_radii_mm": [60, 160], "arc_deg": 90, "movable_g": [40]`, 4+r.IntN(12), cap, 20+80*r.Float64())
		p := placements(t, simple(10+150*r.Float64(), 360*r.Float64(), plane))
		check := func(what string, qs []PutOn) {
			sum := 0.0
			for _, q := range qs {
				sum += q.MassG
			}
			if !(sum <= cap*(1+1e-6)) {
				t.Errorf("%s: %g g over the cap of %g", what, sum, cap)
			}
		}
		for _, got := range []*Placement{p.Planes[0].Placement, p.Planes[0].FurtherPlacement} {
			if got != nil {
				check("placement", got.PutOn)
				if got.Instead != nil {
					check("instead", got.Instead.PutOn)
				}
			}
		}
		for _, w := range p.Planes[0].Other {
			check(w.Kind, w.PutOn)
		}
	}
}
