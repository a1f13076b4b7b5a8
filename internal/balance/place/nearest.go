package place

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// Nearest lists the n choices of exactly k weights from the box whose change
// comes nearest to the target, nearest first, for a person who cannot have the
// first. Every choice nearer than within (kg at the plane's radius) is in the
// list; within is +Inf where the list holds all choices there are.
func Nearest(p rotor.Plane, target complex128, k, n int, o Options) (list []Placement, within float64, err error) {
	if err := check(p, target, &o); err != nil {
		return nil, 0, err
	}
	b := newBox(p, o)
	s := newSearch(b, target, max(n, 2), o.Work)
	if k < 1 || !s.fits(k) {
		return nil, 0, fmt.Errorf("%d weights on %d places with %d masses cannot be listed: ask for fewer", k, len(p.Positions), len(p.Masses))
	}
	top := slices.Clone(s.best(k, nil, math.Inf(1)))
	if within = math.Inf(1); len(top) == s.keep {
		within = top[s.keep-1].r
	}
	if s.cut {
		return nil, 0, fmt.Errorf("the list of %d weights was cut off before it was complete: ask for fewer", k)
	}
	for _, f := range top[:min(n, len(top))] {
		out := Placement{Plane: p.Name, Target: target}
		fill(&out, p, b, o, f)
		list = append(list, out)
	}
	if n < len(top) {
		within = cmplx.Abs(list[n-1].Residual)
	}
	return list, within, nil
}
