package place

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// TwoMovable gives the angles of two weights m1, m2 (kg) that together make the
// change target: s + acos((t^2+m1^2-m2^2)/(2 t m1)) and s - acos((t^2+m2^2-m1^2)/(2 t m2))
// with t = |target| and s its angle, by the law of cosines. It is exact where
// |m1-m2| <= t <= m1+m2; else both weights stand in line, the nearest they can
// do, and rest says what is missing (got - target).
func TwoMovable(m1, m2 float64, target complex128) (a1, a2 float64, rest complex128) {
	t, s := cmplx.Abs(target), cmplx.Phase(target)
	switch {
	case t >= m1+m2:
		a1, a2 = s, s
	case t <= math.Abs(m1-m2) && m1 >= m2:
		a1, a2 = s, s+math.Pi
	case t <= math.Abs(m1-m2):
		a1, a2 = s+math.Pi, s
	default:
		a1 = s + math.Acos((t*t+m1*m1-m2*m2)/(2*t*m1))
		a2 = s - math.Acos((t*t+m2*m2-m1*m1)/(2*t*m2))
		return a1, a2, 0
	}
	return a1, a2, cmplx.Rect(m1, a1) + cmplx.Rect(m2, a2) - target
}

const mostFree = 6 // weights at free angles; the choices are tried one by one

// splitFree puts weights of the box at free angles: one if its mass comes near
// enough, else two groups turned against each other until they fit.
func splitFree(out *Placement, p rotor.Plane, o Options) {
	limit := capAt(p, p.Radius, o.Speed)
	t := cmplx.Abs(out.Target)
	stack := o.Stack
	if stack <= 0 {
		stack = mostFree
	}
	out.Tradeoff = []Step{{Residual: t, Bound: t}}
	var best [2][]int // masses by index, in the two groups
	bestR, chosen := t, t <= o.Accept
	for k := 1; k <= min(o.MaxWeights, mostFree); k++ {
		r, mass, groups := freeGroups(p.Masses, o.Stock, t, k, stack, limit)
		if !(r < bestR*(1-1e-12)) {
			continue
		}
		out.Tradeoff = append(out.Tradeoff, Step{Weights: k, Residual: r, Mass: mass, Bound: r})
		if !chosen {
			best, bestR = groups, r
			chosen = r <= o.Accept
		}
	}
	fillFree(out, p, o, best)
	out.Reached = cmplx.Abs(out.Residual) <= o.Accept*(1+1e-9)
	if !out.Reached {
		out.note("unreachable", "The correction of %s is %s, but the weights in the box bring at most %s here with %d weights: %s stays. Bring heavier weights.",
			name(p), grams(t), grams(t-bestR), min(o.MaxWeights, mostFree), grams(cmplx.Abs(out.Residual)))
	}
}

// freeGroups finds the k masses in two groups whose sums a, b come nearest to
// |a-b| <= t <= a+b, then with the least mass.
func freeGroups(masses []float64, stock []int, t float64, k, stack int, limit float64) (r, mass float64, best [2][]int) {
	r = math.Inf(1)
	var groups [2][]int
	var sums [2]float64
	used := make([]int, len(masses))
	var grow func(from, left, group int)
	grow = func(from, left, group int) {
		if left == 0 {
			_, _, rest := TwoMovable(sums[0], sums[1], complex(t, 0))
			if d, m := cmplx.Abs(rest), sums[0]+sums[1]; d < r-1e-12*t || d <= r+1e-12*t && m < mass {
				r, mass = d, m
				best = [2][]int{append([]int(nil), groups[0]...), append([]int(nil), groups[1]...)}
			}
			return
		}
		if group == 0 && len(groups[0]) > 0 {
			grow(0, left, 1)
		}
		for i := from; i < len(masses) && len(groups[group]) < stack; i++ {
			if sums[group]+masses[i] > limit*(1+1e-12) || stock != nil && used[i] >= stock[i] {
				continue
			}
			groups[group], sums[group] = append(groups[group], i), sums[group]+masses[i]
			used[i]++
			grow(i, left-1, group)
			used[i]--
			groups[group], sums[group] = groups[group][:len(groups[group])-1], sums[group]-masses[i]
		}
	}
	grow(0, k, 0)
	return r, mass, best
}

func fillFree(out *Placement, p rotor.Plane, o Options, groups [2][]int) {
	var sums [2]float64
	if o.Stock != nil {
		out.Left = append([]int(nil), o.Stock...)
	}
	for g := range groups {
		for _, i := range groups[g] {
			sums[g] += p.Masses[i]
		}
	}
	a1, a2, _ := TwoMovable(sums[0], sums[1], out.Target)
	var got complex128
	for g, a := range []float64{a1, a2} {
		if len(groups[g]) == 0 {
			continue
		}
		w := Placed{Angle: a, Radius: p.Radius, Mass: sums[g]}
		for _, i := range groups[g] {
			w.Pieces = append(w.Pieces, Piece{Mass: p.Masses[i]})
			if out.Left != nil {
				out.Left[i]--
			}
		}
		got += cmplx.Rect(sums[g], a)
		out.Placed = append(out.Placed, w)
		out.Weights += len(groups[g])
	}
	out.Residual = got - out.Target
}
