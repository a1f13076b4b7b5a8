package place

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// Effect is what a change in two planes does to the sensors. The residual of a
// placement in one plane can be taken up by the other, so the two are chosen
// together by what the worst sensor then shows.
type Effect struct {
	Influence [][2]complex128 // [sensor][plane], peak phasor per kg at the plane's radius
	Rest      []complex128    // [sensor], peak phasor that stays if both targets are met exactly; nil = nothing
	Tolerance []float64       // [sensor], peak; nil = every sensor counts alike
	Accept    float64         // worst sensor, in tolerances (or in its unit without them), that is good enough; 0 = 2 % of what the targets remove, on top of the rest
	OneBox    bool            // both planes take from one box: the stock of the first plane's Options serves both
}

// TwoStep is one line of the trade-off of two planes.
type TwoStep struct {
	Weights [2]int
	Worst   float64 // worst sensor
	Bound   float64 // proven: no choice of this many weights in all does better
}

// Two answers SplitTwo.
type Two struct {
	Planes   [2]Placement
	Worst    float64 // worst sensor, in tolerances, or in the sensors' unit without them
	Separate float64 // the same had each plane taken the choice nearest to its own target, with as many weights; NaN = one box cannot give them
	Accept   float64 // what was good enough
	Reached  bool
	Complete bool      // proven: fewer weights do not reach it, and no choice of this many does better
	Tradeoff []TwoStep // by number of weights in all, only steps that improve
}

// candidates of one plane kept for each number of weights.
const kept = 300

// SplitTwo places two corrections jointly. For every number of weights the
// three hundred choices nearest to each plane's target are paired with those of the
// other plane; a choice outside these lists is at least as far off as the last
// of them, which gives a proven bound.
func SplitTwo(planes [2]rotor.Plane, targets [2]complex128, e Effect, o [2]Options) (Two, error) {
	t := two{targets: targets}
	out := &t.out
	for p := range planes {
		if err := check(planes[p], targets[p], &o[p]); err != nil {
			return *out, err
		}
		if len(planes[p].Positions) == 0 || len(planes[p].Masses) == 0 {
			return *out, fmt.Errorf("%s has no list of places or masses: split each plane for itself", name(planes[p]))
		}
	}
	if err := t.effect(e, targets, &o, planes); err != nil {
		return *out, err
	}
	for p := range planes {
		t.list(p, planes[p], targets[p], o[p])
	}
	t.choose()
	if !out.Reached && t.apart(planes, o) {
		return *out, nil
	}
	for p := range planes {
		b := t.boxes[p]
		out.Planes[p] = Placement{Plane: planes[p].Name, Target: targets[p], Complete: out.Complete}
		if planes[p].MaxForce > 0 && !(o[p].Speed > 0 && radiusKnown(planes[p])) {
			out.Planes[p].note("force-unknown", forceUnknown, name(planes[p]))
		}
		fill(&out.Planes[p], planes[p], b, o[p], t.best[p])
	}
	if e.OneBox && o[0].Stock != nil {
		for k := range o[0].Stock {
			left := out.Planes[0].Left[k] + out.Planes[1].Left[k] - o[0].Stock[k]
			out.Planes[0].Left[k], out.Planes[1].Left[k] = left, left
		}
	}
	return *out, nil
}

// two is the work of one joint split. All vectors are weighted by 1/tolerance.
type two struct {
	out     Two
	a       [2][]complex128 // [plane][sensor]
	rest    []complex128
	lone    [2]float64 // change of the worst sensor per kg that the other plane cannot undo, times sqrt(sensors)
	stays   [2]float64 // part of the rest across the other plane
	stock   []int      // of the one box; nil = not shared or enough
	targets [2]complex128
	boxes   [2]*box
	lists   [2][][]found // [plane][weights]
	radius  [2][]float64 // [plane][weights]: all nearer choices are in the list
	best    [2]found
}

func (t *two) effect(e Effect, targets [2]complex128, o *[2]Options, planes [2]rotor.Plane) error {
	n := len(e.Influence)
	if n == 0 || e.Rest != nil && len(e.Rest) != n || e.Tolerance != nil && len(e.Tolerance) != n {
		return fmt.Errorf("the joint split needs the influence of both planes on every sensor: %d sensors given", n)
	}
	if e.OneBox {
		if !slices.Equal(planes[0].Masses, planes[1].Masses) {
			return fmt.Errorf("one box was said to serve both planes, but their lists of masses differ: give both the same list")
		}
		t.stock, o[1].Stock = o[0].Stock, o[0].Stock
	}
	t.rest = make([]complex128, n)
	removed, stays := 0.0, 0.0
	for s := range n {
		w := complex(1, 0)
		if e.Tolerance != nil && e.Tolerance[s] > 0 {
			w = complex(1/e.Tolerance[s], 0)
		}
		if e.Rest != nil {
			t.rest[s] = e.Rest[s] * w
		}
		for p := range t.a {
			t.a[p] = append(t.a[p], e.Influence[s][p]*w)
		}
		if !finite(t.rest[s]) || !finite(t.a[0][s]) || !finite(t.a[1][s]) {
			return fmt.Errorf("the influence of sensor %d is not a number: solve the case before placing it", s+1)
		}
		stays = math.Max(stays, cmplx.Abs(t.rest[s]))
		removed = math.Max(removed, cmplx.Abs(t.a[0][s]*targets[0]+t.a[1][s]*targets[1]))
	}
	if t.out.Accept = e.Accept; !(e.Accept > 0) {
		t.out.Accept = stays + 0.02*removed
	}
	for p := range t.a {
		t.lone[p] = norm(across(t.a[p], t.a[1-p])) / math.Sqrt(float64(n))
		t.stays[p] = norm(across(t.rest, t.a[1-p])) / math.Sqrt(float64(n))
	}
	return nil
}

// across is the part of v at right angles to a.
func across(v, a []complex128) []complex128 {
	var dot complex128
	for i := range a {
		dot += cmplx.Conj(a[i]) * v[i]
	}
	if n := norm(a); n > 0 {
		dot /= complex(n*n, 0)
	}
	out := make([]complex128, len(v))
	for i := range v {
		out[i] = v[i] - dot*a[i]
	}
	return out
}

func norm(v []complex128) (n float64) {
	for _, x := range v {
		n = math.Hypot(n, cmplx.Abs(x))
	}
	return n
}

// list collects the choices nearest to one plane's target.
func (t *two) list(p int, plane rotor.Plane, target complex128, o Options) {
	b := newBox(plane, o)
	s := newSearch(b, target, kept, o.Work)
	t.boxes[p] = b
	t.lists[p] = [][]found{{{r: cmplx.Abs(target)}}}
	t.radius[p] = []float64{math.Inf(1)}
	for k := 1; k <= min(o.MaxWeights, o.always, b.room()); k++ {
		if !s.fits(k) {
			break
		}
		top := slices.Clone(s.best(k, nil, math.Inf(1)))
		reach := math.Inf(1)
		if len(top) == kept {
			reach = top[kept-1].r
		}
		if s.cut {
			reach = b.floor(target, k)
		}
		t.lists[p], t.radius[p] = append(t.lists[p], top), append(t.radius[p], reach)
	}
}

// choose pairs the lists by rising number of weights in all.
func (t *two) choose() {
	out := &t.out
	out.Worst, out.Complete = math.Inf(1), true
	least := math.Inf(1)
	for n := range len(t.lists[0]) + len(t.lists[1]) - 1 {
		worst, bound := math.Inf(1), math.Inf(1)
		var pair [2]found
		for k := max(0, n-len(t.lists[1])+1); k <= min(n, len(t.lists[0])-1); k++ {
			worst = t.pair(t.lists[0][k], t.lists[1][n-k], worst, &pair)
			for p, r := range []float64{t.radius[0][k], t.radius[1][n-k]} {
				if !math.IsInf(r, 1) {
					bound = math.Min(bound, t.lone[p]*r-t.stays[p])
				}
			}
		}
		bound = math.Max(0, math.Min(bound, worst))
		if !out.Reached {
			// Proven for this number: none does better, or none is good enough.
			out.Complete = out.Complete && (bound >= worst || worst > out.Accept && bound > out.Accept)
		}
		if !(worst < least) {
			continue
		}
		least = worst
		out.Tradeoff = append(out.Tradeoff, TwoStep{[2]int{pair[0].n, pair[1].n}, worst, bound})
		if !out.Reached {
			out.Worst, t.best = worst, pair
			out.Reached = worst <= out.Accept
		}
	}
	out.Separate = math.NaN()
	near := [2]found{}
	var got [2]bool
	for p := range near {
		if l := t.lists[p][t.best[p].n]; len(l) > 0 {
			near[p], got[p] = l[0], true
		}
	}
	if got[0] && got[1] {
		out.Separate = t.pair([]found{near[0]}, []found{near[1]}, math.Inf(1), new([2]found))
	}
}

// pair finds the pair of choices with the least worst sensor below limit.
func (t *two) pair(as, bs []found, limit float64, best *[2]found) float64 {
	n := len(t.rest)
	first := make([]complex128, n)
	change := make([]complex128, len(bs))
	for j := range bs {
		sum, _ := t.boxes[1].sum(bs[j].pieces())
		change[j] = sum - t.targets[1]
	}
	for i := range as {
		sum, _ := t.boxes[0].sum(as[i].pieces())
		for s := range first {
			first[s] = t.rest[s] + t.a[0][s]*(sum-t.targets[0])
		}
	next:
		for j := range bs {
			worst := 0.0
			for s := range first {
				v := first[s] + t.a[1][s]*change[j]
				if worst = math.Max(worst, real(v)*real(v)+imag(v)*imag(v)); !(worst < limit*limit) {
					continue next
				}
			}
			if t.stock == nil || t.shares(&as[i], &bs[j]) {
				limit = math.Sqrt(worst)
				best[0], best[1] = as[i], bs[j]
			}
		}
	}
	return limit
}

// apart splits each plane for itself, with as many weights as it takes, and keeps
// that where it does better than the lists did: targets far beyond a few weights.
func (t *two) apart(planes [2]rotor.Plane, o [2]Options) bool {
	var ps [2]Placement
	for p := range planes {
		if p == 1 && t.stock != nil {
			o[1].Stock = ps[0].Left
		}
		var err error
		if ps[p], err = Split(planes[p], t.targets[p], o[p]); err != nil {
			return false
		}
	}
	worst := 0.0
	for s := range t.rest {
		worst = math.Max(worst, cmplx.Abs(t.rest[s]+t.a[0][s]*ps[0].Residual+t.a[1][s]*ps[1].Residual))
	}
	if !(worst < t.out.Worst) {
		return false
	}
	if t.stock != nil {
		ps[0].Left = ps[1].Left
	}
	t.out.Planes, t.out.Worst, t.out.Separate = ps, worst, worst
	t.out.Reached, t.out.Complete = worst <= t.out.Accept, false
	t.out.Tradeoff = append(t.out.Tradeoff, TwoStep{Weights: [2]int{ps[0].Weights, ps[1].Weights}, Worst: worst})
	return true
}

// shares tells whether one box has enough weights for both choices.
func (t *two) shares(a, b *found) bool {
	for k, n := range t.stock {
		if t.boxes[0].uses(a.pieces(), k)+t.boxes[1].uses(b.pieces(), k) > n {
			return false
		}
	}
	return true
}
