package place

import (
	"cmp"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// splitBox puts weights from the box on the places that exist.
func splitBox(out *Placement, p rotor.Plane, o Options) {
	b := newBox(p, o)
	s := newSearch(b, out.Target, 1, o.Work)
	best := found{r: cmplx.Abs(out.Target)}
	out.Tradeoff = []Step{{Residual: best.r, Bound: best.r}}
	reached := best.r <= o.Accept
	for k := 1; k <= min(o.MaxWeights, most) && !s.cut; k++ {
		if b.floor(out.Target, k) >= best.r { // nothing to win here
			continue
		}
		top := s.best(k, best.r-s.eps)
		if s.cut && !reached {
			out.Complete = false
		}
		if len(top) == 0 {
			continue
		}
		step := Step{Weights: k, Residual: top[0].r, Mass: top[0].mass, Bound: top[0].r}
		if s.cut {
			step.Bound = b.floor(out.Target, k)
		}
		out.Tradeoff = append(out.Tradeoff, step)
		if !reached {
			best = top[0]
		}
		reached = reached || top[0].r <= o.Accept
	}
	fill(out, p, b, o, best)
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
	slices.SortStableFunc(out.Placed, func(a, c Placed) int { return cmp.Compare(a.Number, c.Number) })
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
