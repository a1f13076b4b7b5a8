package place

import (
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// remedy says, for a target that the box cannot reach, what is missing before
// anybody climbs up: heavier weights to buy, or one weight to cut to size.
func remedy(out *Placement, p rotor.Plane, b *box, o Options) {
	t := cmplx.Abs(out.Target)
	last := min(o.MaxWeights, mostPieces, b.room())
	left := cmplx.Abs(out.Residual)
	proof := "proven: no choice comes nearer"
	if !out.Complete {
		proof = "the search was cut off: a nearer choice may exist"
	}
	out.note("unreachable", "The weights in the box cannot make the correction of %s (%s) with up to %s on the places that are free: the nearest leaves %s, wanted is at most %s (%s).",
		name(p), grams(t), count(last), grams(left), grams(o.Accept), proof)
	if last == 0 {
		out.note("no-place", "No place of %s can take a weight from the box: free a place, or bring weights that its fastener may carry.", name(p))
	}
	if reach := b.reach(out.Target/complex(t, 0), last); last > 0 && reach < t-o.Accept {
		heaviest := slices.Max(p.Masses)
		factor := (t - o.Accept) / reach
		if reach > 0 && !b.capped(heaviest*factor) {
			out.note("buy-heavier", "All weights together reach %s in this direction: bring weights of at least %s each (%.1f times the heaviest in the box), or allow more of them.",
				grams(reach), grams(heaviest*factor), factor)
		} else {
			out.note("plane-too-weak", "The free places carry at most %s in this direction within their caps: use more places, a larger radius, stronger fasteners or a second plane.", grams(reach))
		}
	}
	out.Instead = cutOne(p, b, out.Target, o)
	if out.Instead == nil {
		any := o
		any.Stock = nil // no mass of the box is asked for
		if q, err := Split(rotor.Plane{Name: p.Name, Radius: p.Radius, Positions: p.Positions, Cap: p.Cap, MaxForce: p.MaxForce}, out.Target, any); err == nil && q.Reached {
			for i := range q.Placed {
				q.Placed[i].Pieces[0].Cut = true
			}
			out.Instead = &q
		}
	}
	if out.Instead == nil {
		return
	}
	for _, q := range out.Instead.Placed {
		for _, w := range q.Pieces {
			if w.Cut {
				out.note("cut-weight", "Cut a weight to %s for place %d: with it the correction of %s is reached to %s.",
					grams(w.Mass), q.Number, name(p), grams(cmplx.Abs(out.Instead.Residual)))
			}
		}
	}
}

// capped tells whether no place may carry this mass.
func (b *box) capped(m float64) bool {
	for _, q := range b.places {
		if m <= q.cap {
			return false
		}
	}
	return true
}

// cutOne looks for one weight of a mass to be cut, beside as few weights of the
// box as possible (none, one or two), that reaches the target.
func cutOne(p rotor.Plane, b *box, target complex128, o Options) *Placement {
	for n := range min(3, o.MaxWeights) {
		best, at, mass := found{r: math.Inf(1)}, -1, 0.0
		b.sums(entry{}, 0, n, 0, 1, func(e entry) {
			if n > 0 && !b.allowed(e.ids[:n]) {
				return
			}
			rest := target - complex(e.x, e.y)
			for i, q := range p.Positions {
				m := real(rest / cmplx.Rect(lever(p, q), q.Angle))
				if q.Forbidden || m <= 0 || !b.takes(e.ids[:n], i, m) {
					continue
				}
				if r := cmplx.Abs(rest - cmplx.Rect(m*lever(p, q), q.Angle)); r < best.r*(1-1e-9) {
					best.r, best.n, at, mass = r, n, i, m
					copy(best.ids[:], e.ids[:n])
				}
			}
		})
		if at < 0 || best.r > o.Accept {
			continue
		}
		out := &Placement{Plane: p.Name, Target: target}
		fill(out, p, b, o, best)
		out.put(p, at, Piece{Mass: mass, Cut: true})
		out.order()
		out.Weights++
		out.Residual += cmplx.Rect(mass*lever(p, p.Positions[at]), p.Positions[at].Angle)
		out.Reached = cmplx.Abs(out.Residual) <= o.Accept*(1+1e-9)
		return out
	}
	return nil
}

// takes tells whether place i takes one more weight of mass m after these pieces.
func (b *box) takes(ids []int16, i int, m float64) bool {
	n := b.places[i].count + 1
	m += b.places[i].mass
	for _, id := range ids {
		q := &b.pieces[id]
		switch {
		case q.spot != i:
		case q.mass == 0:
			n, m = n-1, m-b.old[q.old].Mass
		default:
			n, m = n+1, m+q.mass
		}
	}
	return n <= b.stack && m <= b.places[i].cap*(1+1e-12)
}
