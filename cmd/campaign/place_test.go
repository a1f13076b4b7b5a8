package main

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
)

// needGLPK skips where the solver is missing, and fails in CI.
func needGLPK(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath("glpsol"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("glpsol is missing: install the Debian package glpk-utils")
		}
		t.Skip("glpsol is missing (Debian package glpk-utils): the comparison with an integer-programming solver is not made")
	}
}

// A general integer-programming solver (GLPK) gives the same fewest weights as
// the search in place, and the same least residual of two weights, on a hundred
// planes of twelve places, five masses, forbidden places and unequal radii. Both
// answer one question exactly: residuals are measured by a polygon of 16 sides.
// Larger planes: go run ./cmd/campaign place.
func TestIntegerProgrammeAgrees(t *testing.T) {
	needGLPK(t)
	r := rand.New(rand.NewPCG(9, 9))
	var counts [5]int
	dir := t.TempDir()
	for c := range 100 {
		p, target := fieldPlane(r, 12, 5)
		limit := 0.05 * cmplx.Abs(target)
		q := ask(p, target)
		q.limit = 0.05
		want, err := q.solve(t.Context(), dir, 60)
		if err != nil || !want.optimal && !want.none {
			t.Fatalf("case %d: glpsol: %+v %v", c, want, err)
		}
		got, err := fewest(p, target, limit, 4)
		if err != nil {
			t.Fatal(err)
		}
		counts[got]++
		if want.optimal && want.value <= 4 && int(want.value) != got || (want.none || want.value > 4) && got != 0 {
			t.Errorf("case %d: %d weights, glpsol %+v", c, got, want)
		}
		if c%4 != 0 {
			continue
		}
		q.limit, q.count = 0, 2
		want, err = q.solve(t.Context(), dir, 60)
		if err != nil || !want.optimal {
			t.Fatalf("case %d: glpsol: %+v %v", c, want, err)
		}
		least, _, err := nearestByPolygon(p, target, 2, math.Inf(1))
		if err != nil || math.Abs(least/cmplx.Abs(target)-want.value) > 1e-6 {
			t.Errorf("case %d: least residual of two weights %g, glpsol %g (%v)", c, least, want.value, err)
		}
	}
	t.Log("targets reached with 0 (not reached), 1, 2, 3, 4 weights:", counts)
	if counts[2] < 10 || counts[3] < 10 {
		t.Errorf("the cases no longer test two and three weights: %v", counts)
	}
}
