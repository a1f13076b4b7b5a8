package place

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
)

const (
	mostPieces = 32      // weights in one placement
	mostExact  = 8       // weights in one exact search
	gridLimit  = 3 << 20 // sums held in a grid, 32 bytes each
)

// found is one choice of pieces.
type found struct {
	r, mass float64 // kg: residual, mass put on
	n       int
	ids     [mostPieces]int16 // rising
}

func (f *found) pieces() []int16 { return f.ids[:f.n] }

// search meets in the middle. A choice of k pieces is cut into a part that is
// enumerated and a part that is looked up in a grid near what is left:
//
//	k = 1, 2   a single, after 0 or 1 pieces
//	k = 3      a pair, after every single
//	k = 4      a pair, after every pair of one colour, of three colours
//	k = 5, 6   a pair or a triple, after every triple of one colour, of two colours
//	k = 7, 8   a triple or four, after every four of one colour, of two colours
//
// The colours are only there to save time: of four pieces in three colours two
// share one, of 2j-1 pieces in two colours j share one, so no choice is lost
// although only a third, a quarter or an eighth of the parts is enumerated.
type search struct {
	b      *box
	target complex128
	keep   int      // how many of the best are kept
	eps    float64  // residuals nearer than this count as equal, then the least mass wins
	grids  [5]*grid // by the number of pieces in an entry
	work   int      // candidates that may still be looked at
	share  int      // the same for each number of weights of a cut-off search

	g      *grid   // the one in use
	top    []found // rising residual
	seen   map[[mostPieces]int16]bool
	radius float64 // only sums nearer than this are of interest
	cut    bool
	prefix [mostPieces]int16
	np     int
}

func newSearch(b *box, target complex128, keep, work int) *search {
	slices.SortStableFunc(b.pieces, func(p, q piece) int { // what points at the target first
		return cmp.Compare(real(cmplx.Conj(target)*q.u), real(cmplx.Conj(target)*p.u))
	})
	return &search{b: b, target: target, keep: keep, work: work, share: work/10 + 1, eps: 1e-9 * cmplx.Abs(target)}
}

// plan is how a choice of k pieces is cut: the size of the part looked up, the
// size of the part enumerated, and the number of colours.
func plan(k int) (looked, enumerated, colours int) {
	looked = max(k/2, 1)
	switch enumerated = k - looked; {
	case k == 4:
		return looked, enumerated, 3
	case k > 4:
		return looked, enumerated, 2
	}
	return looked, enumerated, 1
}

// fits tells whether k pieces can be searched exactly within memory.
func (s *search) fits(k int) bool {
	looked, _, _ := plan(k)
	n := len(s.b.pieces)
	return k <= mostExact && combinations(n, looked) <= gridLimit && n < math.MaxInt16
}

// combinations is the number of ways to take k of n pieces, each as often as one
// likes.
func combinations(n, k int) float64 {
	sums := 1.0
	for i := range k {
		sums *= float64(n+i) / float64(i+1)
	}
	return sums
}

// grid returns all sums of n pieces that can be together.
func (s *search) grid(n int) *grid {
	if s.grids[n] == nil {
		es := make([]entry, 0, int(combinations(len(s.b.pieces), n)))
		s.b.sums(entry{}, 0, n, 0, 1, func(e entry) { es = append(es, e) })
		s.grids[n] = newGrid(es, n)
	}
	return s.grids[n]
}

// sums calls f for every sum of n pieces that begins with e, which has k of them
// already; the others are taken from number from on, step by step.
func (b *box) sums(e entry, k, n, from, step int, f func(entry)) {
	if k == n {
		f(e)
		return
	}
	for i := from; i < len(b.pieces); i += step {
		p := &b.pieces[i]
		if b.disjoin && p.mask&e.mask != 0 || k > 0 && i == from && (p.old >= 0 || b.stack == 1) && int(e.ids[k-1]) == i {
			continue
		}
		d := e
		d.x, d.y, d.mask = e.x+real(p.u), e.y+imag(p.u), e.mask|p.mask
		d.ids[k] = int16(i)
		b.sums(d, k+1, n, i, step, f)
	}
}

// best returns the choices of exactly k pieces, together with the fixed ones,
// with the least residual below limit. With keep = 1 equal residuals are decided
// by the least mass.
func (s *search) best(k int, fixed []int16, limit float64) []found {
	s.top, s.radius = s.top[:0], limit
	if !(limit > 0) {
		return nil // nothing can be nearer
	}
	if s.keep > 1 {
		s.seen = map[[mostPieces]int16]bool{}
	}
	looked, enumerated, colours := plan(k)
	s.g = s.grid(looked)
	var start entry
	copy(s.prefix[:], fixed)
	for _, id := range fixed {
		p := &s.b.pieces[id]
		start.x, start.y, start.mask = start.x+real(p.u), start.y+imag(p.u), start.mask|p.mask
	}
	s.np = len(fixed) + enumerated
	x, y := real(s.target), imag(s.target)
	for first := range len(s.b.pieces) {
		if s.cut {
			break
		}
		e := start
		if enumerated == 0 {
			s.query(x-e.x, y-e.y, e.mask)
			break
		}
		p := &s.b.pieces[first]
		if s.b.disjoin && p.mask&e.mask != 0 {
			continue
		}
		e.x, e.y, e.mask, e.ids[0] = e.x+real(p.u), e.y+imag(p.u), e.mask|p.mask, int16(first)
		s.b.sums(e, 1, enumerated, first, colours, func(e entry) {
			if s.cut {
				return
			}
			copy(s.prefix[len(fixed):], e.ids[:enumerated])
			s.query(x-e.x, y-e.y, e.mask)
		})
	}
	return s.top
}

// query looks at every entry within the radius of a point.
func (s *search) query(x, y float64, mask uint64) {
	g := s.g
	s.work--
	if s.radius < 2*g.side {
		i1, j1 := g.column(x+s.radius), g.row(y+s.radius)
		for j := g.row(y - s.radius); j <= j1; j++ {
			for i := g.column(x - s.radius); i <= i1; i++ {
				s.visit(i+j*g.nx, x, y, mask)
			}
		}
	} else if g.out(x, y) <= s.radius {
		s.rings(x, y, mask)
	}
	if s.work < 0 {
		s.cut = true
	}
}

// rings visits the cells around a point, nearest first: a cell of ring n is at
// least n-1 sides away.
func (s *search) rings(x, y float64, mask uint64) {
	g := s.g
	cx, cy := g.column(x), g.row(y)
	last := max(cx, cy, g.nx-1-cx, g.ny-1-cy)
	for n := 0; n <= last && float64(n-1)*g.side <= s.radius; n++ {
		for j := max(cy-n, 0); j <= min(cy+n, g.ny-1); j++ {
			if j == cy-n || j == cy+n {
				for i := max(cx-n, 0); i <= min(cx+n, g.nx-1); i++ {
					s.visit(i+j*g.nx, x, y, mask)
				}
				continue
			}
			if cx-n >= 0 {
				s.visit(cx-n+j*g.nx, x, y, mask)
			}
			if cx+n < g.nx {
				s.visit(cx+n+j*g.nx, x, y, mask)
			}
		}
	}
}

func (s *search) visit(cell int, x, y float64, mask uint64) {
	es := s.g.entries[s.g.start[cell]:s.g.start[cell+1]]
	s.work -= len(es)
	for i := range es {
		e := &es[i]
		dx, dy := e.x-x, e.y-y
		if !(dx*dx+dy*dy <= s.radius*s.radius) || s.b.disjoin && mask&e.mask != 0 {
			continue
		}
		s.consider(e, math.Sqrt(dx*dx+dy*dy))
	}
}

// consider takes a choice into the best if the rules allow it.
func (s *search) consider(e *entry, r float64) {
	f := found{r: r, n: s.np + s.g.n}
	copy(f.ids[:], s.prefix[:s.np])
	copy(f.ids[s.np:], e.ids[:s.g.n])
	slices.Sort(f.pieces())
	_, f.mass = s.b.sum(f.pieces())
	if s.keep == 1 {
		if len(s.top) > 0 && r > s.top[0].r-s.eps && !(f.mass < s.top[0].mass*(1-1e-9)) {
			return
		}
		if s.b.disjoin || s.b.allowed(f.pieces()) {
			s.top, s.radius = append(s.top[:0], f), r+s.eps
		}
		return
	}
	if s.seen[f.ids] || !s.b.disjoin && !s.b.allowed(f.pieces()) {
		return
	}
	s.seen[f.ids] = true
	at, _ := slices.BinarySearchFunc(s.top, f, func(a, b found) int { return cmp.Compare(a.r, b.r) })
	s.top = slices.Insert(s.top, at, f)
	if len(s.top) > s.keep {
		delete(s.seen, s.top[s.keep].ids)
		s.top = s.top[:s.keep]
	}
	if len(s.top) == s.keep {
		s.radius = s.top[s.keep-1].r
	}
}
