package place

import (
	"math"
	"math/cmplx"
	"slices"
)

// found is one choice of pieces.
type found struct {
	r, mass float64 // kg: residual, mass put on
	n       int
	ids     [most]int32 // rising
}

func (f *found) pieces() []int32 { return f.ids[:f.n] }

// search meets in the middle. A choice of k pieces is cut into a part that is
// enumerated and a part that is looked up in a grid near what is left:
//
//	k = 1, 2   a single, looked up after 0 or 1 pieces
//	k = 3      a pair after every single
//	k = 4      a pair after every pair of one colour, of three colours
//	k = 5      a pair after every triple of one colour, of two colours
//
// The colours are only there to save time: among four pieces of three colours
// two share one, among five of two colours three share one, so no choice is
// lost although a third or a quarter of the parts is enumerated.
type search struct {
	b       *box
	target  complex128
	singles *grid
	pairs   *grid
	g       *grid   // the one in use
	keep    int     // how many of the best are kept
	top     []found // rising residual
	seen    map[[most]int32]bool
	radius  float64 // only sums nearer than this are of interest
	eps     float64 // residuals nearer than this count as equal, then the least mass wins
	work    int     // candidates that may still be looked at
	cut     bool
	prefix  [most]int32
	np      int
}

func newSearch(b *box, target complex128, keep, work int) *search {
	s := &search{b: b, target: target, keep: keep, work: work, eps: 1e-9 * cmplx.Abs(target)}
	slices.SortStableFunc(b.pieces, func(p, q piece) int { // what points at the target first
		return compare(real(cmplx.Conj(target)*q.u), real(cmplx.Conj(target)*p.u))
	})
	es := make([]entry, len(b.pieces))
	for i, p := range b.pieces {
		es[i] = entry{x: real(p.u), y: imag(p.u), mask: p.mask, a: int32(i), b: -1}
	}
	s.singles = newGrid(es)
	return s
}

func (s *search) makePairs() {
	n := len(s.b.pieces)
	es := make([]entry, 0, n*(n+1)/2)
	for i := range n {
		for j := i; j < n; j++ {
			if e, ok := s.pair(i, j); ok {
				es = append(es, e)
			}
		}
	}
	s.pairs = newGrid(es)
}

// pair joins two pieces unless they can never be together.
func (s *search) pair(i, j int) (entry, bool) {
	p, q := &s.b.pieces[i], &s.b.pieces[j]
	if s.b.disjoin && p.mask&q.mask != 0 || i == j && (p.old >= 0 || s.b.stack == 1) {
		return entry{}, false
	}
	u := p.u + q.u
	return entry{x: real(u), y: imag(u), mask: p.mask | q.mask, a: int32(i), b: int32(j)}, true
}

// best returns the choices of exactly k pieces with the least residual, below
// limit. With keep = 1 equal residuals are decided by the least mass.
func (s *search) best(k int, limit float64) []found {
	s.top, s.radius, s.cut = s.top[:0], limit, false
	if s.keep > 1 {
		s.seen = map[[most]int32]bool{}
	}
	if k > 2 && s.pairs == nil {
		s.makePairs()
	}
	s.g = s.singles
	if k > 2 {
		s.g = s.pairs
	}
	switch k {
	case 1:
		s.np = 0
		s.query(s.target, 0)
	case 2, 3:
		s.after1()
	case 4:
		s.after2()
	case 5:
		s.after3()
	}
	return s.top
}

func (s *search) after1() {
	s.np = 1
	for i := range s.b.pieces {
		s.prefix[0] = int32(i)
		s.query(s.target-s.b.pieces[i].u, s.b.pieces[i].mask)
		if s.cut {
			return
		}
	}
}

func (s *search) after2() {
	s.np = 2
	for i := range s.b.pieces {
		s.prefix[0] = int32(i)
		for j := i; j < len(s.b.pieces); j += 3 {
			e, ok := s.pair(i, j)
			if !ok {
				continue
			}
			s.prefix[1] = int32(j)
			s.query(s.target-complex(e.x, e.y), e.mask)
		}
		if s.cut {
			return
		}
	}
}

func (s *search) after3() {
	s.np = 3
	for i := range s.b.pieces {
		s.prefix[0] = int32(i)
		for j := i; j < len(s.b.pieces); j += 2 {
			e, ok := s.pair(i, j)
			if !ok {
				continue
			}
			s.prefix[1] = int32(j)
			rest := s.target - complex(e.x, e.y)
			for k := j; k < len(s.b.pieces); k += 2 {
				p := &s.b.pieces[k]
				if s.b.disjoin && p.mask&e.mask != 0 {
					continue
				}
				s.prefix[2] = int32(k)
				s.query(rest-p.u, e.mask|p.mask)
			}
			if s.cut {
				return
			}
		}
	}
}

// query looks at every entry within the radius of q.
func (s *search) query(q complex128, mask uint64) {
	g := s.g
	x, y := real(q), imag(q)
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

func (s *search) consider(e *entry, r float64) {
	f := found{r: r, ids: s.prefix, n: s.np + 1}
	f.ids[s.np] = e.a
	if e.b >= 0 {
		f.ids[s.np+1] = e.b
		f.n++
	}
	for i := f.n; i < most; i++ {
		f.ids[i] = -1
	}
	slices.Sort(f.pieces())
	_, f.mass = s.b.sum(f.pieces())
	if len(s.top) > 0 && s.keep == 1 {
		t := &s.top[0]
		if r > t.r-s.eps && !(f.mass < t.mass*(1-1e-9)) {
			return
		}
	}
	if !s.b.disjoin && !s.b.allowed(f.pieces()) {
		return
	}
	if s.keep > 1 {
		if s.seen[f.ids] {
			return
		}
		s.seen[f.ids] = true
	}
	if s.keep == 1 {
		s.top = append(s.top[:0], f)
		s.radius = r + s.eps
		return
	}
	at, _ := slices.BinarySearchFunc(s.top, f, func(a, b found) int { return compare(a.r, b.r) })
	s.top = slices.Insert(s.top, at, f)
	if len(s.top) > s.keep {
		delete(s.seen, s.top[s.keep].ids)
		s.top = s.top[:s.keep]
	}
	if len(s.top) == s.keep {
		s.radius = s.top[s.keep-1].r
	}
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
