package place

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// splitBox puts weights from the box on the places that exist, by rising number
// of weights: exactly while the sums fit into memory and work, then by a cut-off
// search with a proven bound.
func splitBox(out *Placement, p rotor.Plane, o Options) {
	b := newBox(p, o)
	s := newSearch(b, out.Target, 1, o.Work)
	best := found{r: cmplx.Abs(out.Target)} // the answer
	least := best                           // the nearest of all
	out.Tradeoff = []Step{{Residual: best.r, Bound: best.r}}
	last := b.last(out.Target, &o)
	end := b.floor(out.Target, last) // no number of weights comes nearer than this
	proven := best.r > o.Accept      // no fewer weights than k reach it
	for k := 1; k <= last; k++ {
		reached := best.r <= o.Accept
		if reached && k > o.always {
			break
		}
		bound := b.floor(out.Target, k)
		if bound >= least.r || k > o.always && bound > math.Max(o.Accept, end*(1+1e-9)) {
			continue // nothing to win here
		}
		top, complete := s.step(k, least)
		excluded := bound > o.Accept || complete && (len(top) == 0 || top[0].r > o.Accept)
		if proven && !excluded {
			out.AtLeast, proven = k, false
		}
		if !reached {
			out.Complete = out.Complete && complete
		}
		if len(top) > 0 {
			least = top[0]
			step := Step{Weights: k, Residual: least.r, Mass: least.mass, Bound: least.r}
			if !complete {
				step.Bound = bound
			}
			out.Tradeoff = append(out.Tradeoff, step)
		}
		if !reached {
			best = least
		}
		if k > o.always && bound <= end*(1+1e-9) && end > o.Accept {
			break // more weights reach no further
		}
	}
	fill(out, p, b, o, best)
	if !out.Reached {
		remedy(out, p, b, o)
	}
}

// fill writes a choice of pieces as places and weights.
func fill(out *Placement, p rotor.Plane, b *box, o Options, f found) {
	out.Left = slices.Clone(o.Stock)
	var got complex128
	for _, id := range f.pieces() {
		q := &b.pieces[id]
		got += q.u
		if q.mass == 0 {
			out.Removed = append(out.Removed, o.Existing[q.old])
			continue
		}
		put := Piece{Mass: q.mass}
		if q.old >= 0 {
			put.From = o.Existing[q.old].Position
		} else if out.Left != nil {
			out.Left[q.box]--
		}
		out.put(p, q.spot, put)
	}
	out.Weights = f.n
	out.order()
	out.Residual = got - out.Target
	out.Reached = cmplx.Abs(out.Residual) <= o.Accept*(1+1e-9)
}

func (p *Placement) put(plane rotor.Plane, spot int, w Piece) {
	q := plane.Positions[spot]
	for i := range p.Placed {
		if p.Placed[i].Number == q.Number {
			p.Placed[i].Mass += w.Mass
			p.Placed[i].Pieces = append(p.Placed[i].Pieces, w)
			return
		}
	}
	p.Placed = append(p.Placed, Placed{Number: q.Number, Angle: q.Angle, Radius: radiusAt(plane, q), Mass: w.Mass, Pieces: []Piece{w}})
}

// order sorts the places by their number.
func (p *Placement) order() {
	slices.SortStableFunc(p.Placed, func(a, b Placed) int { return cmp.Compare(a.Number, b.Number) })
}
