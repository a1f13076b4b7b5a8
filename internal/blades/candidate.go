package blades

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
)

// candidate is one set of blades to touch: the others lie in a window whose
// lower end may be anywhere in from..to. least is a proven lower bound of the
// sum of |move|.
type candidate struct {
	set      uint64
	from, to float64
	least    float64
}

// candidates lists the sets of k blades that pass the directional test, the
// most promising first.
func (s *search) candidates(k int, aim float64, complete *bool) []candidate {
	var out []candidate
	spread := aim * s.lim.Spread
	s.nodes = 0
	if k == s.n {
		f := s.fan(s.all(aim), nil, 0, aim)
		f.walk(&out, complete)
	}
	// l and r: the smallest and largest untouched blade in order of value.
	for l := range min(k+1, s.n) {
		for outer := l; outer <= k && s.n-1-(outer-l) >= l; outer++ {
			r := s.n - 1 - (outer - l)
			low, high := s.x[s.order[l]], s.x[s.order[r]]
			inner := max(0, r-l-1)
			if high-low > spread*(1+1e-9) || k-outer > inner || (l == r && k != s.n-1) {
				continue
			}
			c := candidate{from: high - spread, to: low}
			if math.IsInf(spread, 1) {
				c.from = low
			}
			for i, b := range s.order {
				if i < l || i > r {
					c.set |= 1 << b
				}
			}
			var extra []int
			if inner > 0 {
				extra = s.useful(s.order[l+1 : r])
			}
			s.fan(c, extra, k-outer, aim).walk(&out, complete)
		}
	}
	slices.SortStableFunc(out, func(a, b candidate) int { return cmp.Compare(a.least, b.least) })
	return out
}

// all is the set of all blades; its window may lie wherever a blade can go.
func (s *search) all(aim float64) candidate {
	lo := slices.Min(s.x) + slices.Min(s.lo) - finite(aim*s.lim.Spread)
	return candidate{set: 1<<s.n - 1, from: lo, to: slices.Max(s.x) + slices.Max(s.hi)}
}

// useful sorts blades so that those which can best turn the harmonic back come
// first, and a list that must be cut short starts with the likely sets.
func (s *search) useful(in []int) []int {
	out := slices.Clone(in)
	u := complex(1, 0)
	if r := cmplx.Abs(s.h); r > 0 {
		u = s.h / complex(r, 0)
	}
	slices.SortStableFunc(out, func(a, b int) int {
		return cmp.Compare(-math.Abs(dot(s.e[a], u)), -math.Abs(dot(s.e[b], u)))
	})
	return out
}

// fan is the tree of sets that share a window: base blades that must move and
// pick more out of extra.
type fan struct {
	s     *search
	base  candidate
	extra []int
	pick  int
	need  [directions]float64   // reduction wanted in each direction
	gain  [][directions]float64 // best reduction by each extra
	top   [][directions]float64 // best reduction by r extras together
	floor float64               // sum of |move| that the base needs for the spread alone
	reach [directions]float64   // largest reduction per unit move among the base
}

// What one number of blades may cost before it counts as cut off.
const (
	mostSets  = 20000  // sets kept for solving
	mostNodes = 300000 // steps of the tree
)

func (s *search) fan(c candidate, extra []int, pick int, aim float64) *fan {
	f := &fan{s: s, base: c, extra: extra, pick: pick}
	tol, spread := aim*s.lim.Harmonic, aim*s.lim.Spread
	for d, u := range s.compass {
		f.need[d] = dot(s.h, u) - tol - 1e-12
	}
	for b := range s.n {
		if c.set&(1<<b) == 0 {
			continue
		}
		lo, hi := s.box(b, c, spread)
		if lo > hi+1e-9*(1+math.Abs(hi)) { // this blade cannot come into the window at all
			f.pick = -1
			return f
		}
		f.floor += max(0, lo, -hi)
		for d, u := range s.compass {
			g := dot(s.e[b], u)
			f.need[d] -= max(-g*lo, -g*hi)
			f.reach[d] = max(f.reach[d], math.Abs(g))
		}
	}
	f.gain = make([][directions]float64, len(extra))
	for i, b := range extra {
		lo, hi := s.box(b, c, spread)
		for d, u := range s.compass {
			g := dot(s.e[b], u)
			f.gain[i][d] = max(0, -g*lo, -g*hi)
		}
	}
	f.rank()
	return f
}

// box is how far blade b may move and end in some allowed window.
func (s *search) box(b int, c candidate, spread float64) (lo, hi float64) {
	if math.IsInf(spread, 1) {
		return s.lo[b], s.hi[b]
	}
	return max(s.lo[b], c.from-s.x[b]), min(s.hi[b], c.to+spread-s.x[b])
}

func (f *fan) rank() {
	f.top = make([][directions]float64, f.pick+1)
	col := make([]float64, len(f.extra))
	for d := range directions {
		for i := range f.gain {
			col[i] = f.gain[i][d]
		}
		slices.Sort(col)
		for r := 1; r <= f.pick; r++ {
			f.top[r][d] = f.top[r-1][d] + col[len(col)-r]
		}
	}
}

func (f *fan) walk(out *[]candidate, complete *bool) {
	if f.pick < 0 {
		return
	}
	if !f.descend(0, f.pick, f.base.set, f.need, f.reach, out) {
		*complete = false
	}
}

// descend picks the remaining extras from index i on; it returns false when
// the list or the tree grew too long.
func (f *fan) descend(i, left int, set uint64, need, reach [directions]float64, out *[]candidate) bool {
	if f.s.nodes++; f.s.nodes > mostNodes {
		return false
	}
	for d := range directions {
		if need[d] > f.top[left][d] {
			return true // no choice can reach the tolerance
		}
	}
	if left == 0 {
		c := f.base
		c.set, c.least = set, f.least(reach)
		*out = append(*out, c)
		return len(*out) < mostSets
	}
	for ; i+left <= len(f.extra); i++ {
		n, r := need, reach
		b := f.extra[i]
		for d, u := range f.s.compass {
			n[d] -= f.gain[i][d]
			r[d] = max(r[d], math.Abs(dot(f.s.e[b], u)))
		}
		if !f.descend(i+1, left-1, set|1<<b, n, r, out) {
			return false
		}
	}
	return true
}

// least bounds the sum of |move| from below: the base must come into the
// window, and the harmonic must shrink in every direction.
func (f *fan) least(reach [directions]float64) float64 {
	least := f.floor
	for d, u := range f.s.compass {
		want := dot(f.s.h, u) - f.s.lim.Harmonic
		if want > 0 && reach[d] > 0 {
			least = max(least, want/reach[d])
		}
	}
	return least
}
