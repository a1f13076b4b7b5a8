package place

import (
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// piece is one thing a person can do: put a weight on a place or take one off.
// Every piece counts as one weight handled.
type piece struct {
	u    complex128 // change, kg at the plane's radius
	spot int        // index into box.places
	mass float64    // kg put on; 0 for one taken off
	box  int        // index into the masses; -1 = not from the box
	old  int        // index into existing; -1 = none. With mass > 0: that weight is put here again
	mask uint64     // bit of the place, for a piece that is put on
}

// box is a search problem: the pieces and the rules that bind them.
type box struct {
	pieces  []piece
	places  []room
	stock   []int // nil = enough
	old     []Fitted
	oldSpot []int
	stack   int  // most weights on one place
	disjoin bool // masks alone decide: one piece a place, nothing there before
	limited bool // some stock is smaller than the number of weights allowed
}

// room is what a place holds and may hold.
type room struct {
	number int
	count  int     // weights there now
	mass   float64 // kg there now
	cap    float64 // kg it may carry in all; +Inf = not limited
}

// newBox lists all pieces. A mass that would break a place's cap alone is no piece.
func newBox(p rotor.Plane, o Options) *box {
	b := &box{stock: o.Stock, old: o.Existing, stack: o.Stack}
	if b.stack <= 0 {
		b.stack = mostPieces + len(o.Existing)
	}
	for _, n := range o.Stock {
		b.limited = b.limited || n < o.MaxWeights
	}
	for _, q := range p.Positions {
		b.places = append(b.places, room{number: q.Number, cap: capAt(p, radiusAt(p, q), o.Speed)})
	}
	for _, f := range o.Existing {
		i := index(p.Positions, f.Position)
		b.oldSpot = append(b.oldSpot, i)
		b.places[i].count++
		b.places[i].mass += f.Mass
	}
	b.disjoin = b.stack == 1 && len(o.Existing) == 0 && !b.limited && len(p.Positions) <= 64
	for e, f := range o.Existing {
		if f.Fixed {
			continue
		}
		i := b.oldSpot[e]
		b.add(piece{u: -cmplx.Rect(f.Mass*lever(p, p.Positions[i]), p.Positions[i].Angle), spot: i, box: -1, old: e})
		for j, q := range p.Positions {
			if j != i && !q.Forbidden && f.Mass <= b.places[j].cap {
				b.add(piece{u: cmplx.Rect(f.Mass*lever(p, q), q.Angle), spot: j, mass: f.Mass, box: -1, old: e, mask: 1 << (j % 64)})
			}
		}
	}
	for i, q := range p.Positions {
		if q.Forbidden {
			continue
		}
		for k, m := range p.Masses {
			if m <= b.places[i].cap && (o.Stock == nil || o.Stock[k] > 0) {
				b.add(piece{u: cmplx.Rect(m*lever(p, q), q.Angle), spot: i, mass: m, box: k, old: -1, mask: 1 << (i % 64)})
			}
		}
	}
	return b
}

func (b *box) add(p piece) { b.pieces = append(b.pieces, p) }

// allowed tells whether these pieces may be done together.
func (b *box) allowed(ids []int16) bool {
	for i, id := range ids {
		p := &b.pieces[id]
		if p.mass == 0 || p.old >= 0 {
			if !b.allowedOld(ids, i) {
				return false
			}
		}
		if p.box >= 0 && b.stock != nil && b.uses(ids, p.box) > b.stock[p.box] {
			return false
		}
		if p.mass == 0 {
			continue
		}
		place := &b.places[p.spot]
		n, m := place.count, place.mass
		for _, other := range ids {
			q := &b.pieces[other]
			switch {
			case q.spot != p.spot:
			case q.mass == 0:
				n, m = n-1, m-b.old[q.old].Mass
			default:
				n, m = n+1, m+q.mass
			}
		}
		if n > b.stack || m > place.cap*(1+1e-12) {
			return false
		}
	}
	return true
}

// allowedOld: an old weight is taken off once, and put elsewhere only if it was
// taken off, once.
func (b *box) allowedOld(ids []int16, i int) bool {
	p := &b.pieces[ids[i]]
	off := p.mass == 0
	for j, other := range ids {
		q := &b.pieces[other]
		if q.old != p.old || j == i {
			continue
		}
		if (q.mass == 0) == (p.mass == 0) {
			return false
		}
		off = off || q.mass == 0
	}
	return off
}

func (b *box) uses(ids []int16, k int) (n int) {
	for _, id := range ids {
		if b.pieces[id].box == k {
			n++
		}
	}
	return n
}

// sum is the change that the pieces make, and the mass they put on.
func (b *box) sum(ids []int16) (u complex128, mass float64) {
	for _, id := range ids {
		u += b.pieces[id].u
		mass += b.pieces[id].mass
	}
	return u, mass
}
