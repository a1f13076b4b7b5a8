package job

import (
	"context"
	"math"
	"math/cmplx"
	"path/filepath"
	"testing"

	"counterpoise/internal/rotor"
)

// TestGradeTolerance: a rotor of 3.7 kg at 1422 r/min and G 6.3 may keep
// 9549.297 x 6.3 x 3.7 / 1422 = 156.5 g mm (ISO 21940-11, formula seen second
// hand), at a radius of 60 mm 2.609 g; where 10 g make 2.54 mm/s rms that is
// 0.663 mm/s rms. Derived by hand.
func TestGradeTolerance(t *testing.T) {
	s := newScript(t, filepath.Join(t.TempDir(), "j"))
	u := fan()
	u.Machine = rotor.Machine{Mass: 3.7, Speed: rotor.RadPerSecond(1422), Grade: 6.3e-3}
	u.Planes = []rotor.Plane{{Name: "front", Radius: 0.06}}
	u.Sensors[0].Tolerance, u.Sensors[1].Tolerance = 0, 5e-3
	s.do(Event{Kind: KindSetup, Setup: u})
	s.look()
	const perGram = 2.54e-3 / 10 * math.Sqrt2
	s.run(reading(4e-3, 1e-3))
	s.stop()
	s.do(Event{Kind: KindSkipped, Step: keyRepeat, Note: "x"})
	if tol := s.j.State().Tolerances(); tol[0] != 0 || tol[1] != 5e-3 {
		t.Errorf("before the trial the tolerances are %v, want none and the stated one", tol)
	}
	s.fit(PurposeTrial, "front", weight("front", 4, 30))
	s.run(reading(4e-3+4*perGram*cmplx.Rect(1, 2), 1e-3+0.1*perGram))
	tol := s.j.State().Tolerances()
	if got := tol[0] / math.Sqrt2 * 1e3; !(math.Abs(got-0.6626) <= 0.001) || tol[1] != 5e-3 {
		t.Errorf("the grade leaves %.4f mm/s rms, want 0.663; stated %g", got, tol[1])
	}
}

// TestAutoByGrade: without a stated tolerance the grade decides.
func TestAutoByGrade(t *testing.T) {
	p := twoPlanes(3)
	for i := range p.setup.Sensors {
		p.setup.Sensors[i].Tolerance = 0
	}
	p.setup.Machine.Grade = 6.3e-3
	r, err := Auto(context.Background(), p.config(t, filepath.Join(t.TempDir(), "j")))
	if err != nil || !r.OK || !(r.Tolerance > 0) {
		t.Fatalf("ok %v, tolerance %g, %s, %v", r.OK, r.Tolerance, r.Why, err)
	}
}
