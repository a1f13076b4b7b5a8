package place

import (
	"math/cmplx"
	"math/rand/v2"
	"slices"
)

const (
	freed  = 4  // pieces that a cut-off search chooses anew in one go
	rounds = 40 // tries without a gain before it gives up
)

// step finds the best choice of exactly k pieces that is nearer than least; the
// search was complete, or it was cut off.
func (s *search) step(k int, least found) (top []found, complete bool) {
	limit := least.r - s.eps
	if s.fits(k) && !s.cut {
		if top = s.best(k, nil, limit); !s.cut {
			return top, true
		}
	}
	exhausted, work := s.cut, s.work
	s.cut, s.work = false, s.share
	if len(top) == 0 {
		top = s.grow(k, least)
	}
	if len(top) > 0 {
		top = []found{s.improve(top[0])}
		if top[0].r >= limit {
			top = nil
		}
	}
	s.cut, s.work = exhausted, work
	return top, false
}

// grow adds pieces to a smaller choice, each time the one that comes nearest.
func (s *search) grow(k int, f found) []found {
	for f.n < k {
		sum, _ := s.b.sum(f.pieces())
		at, best := -1, 0.0
		for i := range s.b.pieces {
			r := cmplx.Abs(s.target - sum - s.b.pieces[i].u)
			if at >= 0 && r >= best {
				continue
			}
			f.ids[f.n] = int16(i)
			if s.b.allowed(f.ids[:f.n+1]) {
				at, best = i, r
			}
		}
		if at < 0 {
			return nil
		}
		f.ids[f.n], f.r = int16(at), best
		f.n++
	}
	for i := f.n; i < len(f.ids); i++ {
		f.ids[i] = 0
	}
	return []found{f}
}

// improve frees some of the pieces, chooses them anew exactly, and goes on while
// that gains. The order is fixed, so that the same question has the same answer.
func (s *search) improve(f found) found {
	free := freed
	for !s.fits(free) {
		free--
	}
	free = min(free, f.n)
	r := rand.New(rand.NewPCG(uint64(f.n), 0))
	for idle := 0; idle < rounds && !s.cut; idle++ {
		ids := slices.Clone(f.pieces())
		r.Shuffle(len(ids), func(i, j int) { ids[i], ids[j] = ids[j], ids[i] })
		if top := s.best(free, ids[free:], f.r-s.eps); len(top) > 0 {
			f, idle = top[0], -1
		}
	}
	_, f.mass = s.b.sum(f.pieces())
	return f
}
