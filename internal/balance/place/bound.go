package place

import (
	"math"
	"math/cmplx"
	"slices"
)

// floor is a proven lower bound of the residual of any choice of at most k
// pieces: in no direction can a sum reach further than the pieces that reach
// furthest there. Of the rules it knows the number of weights on a place and
// the place's cap; leaving the others out can only lower the bound.
func (b *box) floor(target complex128, k int) (bound float64) {
	const steps = 90
	at := cmplx.Phase(target)
	for d := range steps {
		n := cmplx.Rect(1, at+2*math.Pi*float64(d)/float64(steps))
		gap := real(cmplx.Conj(n) * target)
		if gap > bound {
			bound = math.Max(bound, gap-b.reach(n, k))
		}
	}
	return bound
}

// reach is a bound of how far k pieces get in direction n (|n| = 1).
func (b *box) reach(n complex128, k int) (sum float64) {
	best, lever := make([]float64, len(b.places)), make([]float64, len(b.places))
	var gains []float64
	for i := range b.pieces {
		p := &b.pieces[i]
		v := real(cmplx.Conj(n) * p.u)
		switch {
		case v <= 0:
		case p.mass == 0:
			gains = append(gains, v) // taking an old weight off happens once
		case v > best[p.spot]:
			best[p.spot] = v
		}
		if p.mass > 0 {
			lever[p.spot] = math.Max(lever[p.spot], v/p.mass)
		}
	}
	for i, v := range best {
		left := b.places[i].cap * lever[i] // all that the place may carry
		if math.IsInf(b.places[i].cap, 1) {
			left = math.Inf(1)
		}
		for range min(b.stack, k) {
			if v = math.Min(v, left); v <= 0 {
				break
			}
			gains = append(gains, v)
			left -= v
		}
	}
	slices.Sort(gains)
	for _, v := range gains[max(0, len(gains)-k):] {
		sum += v
	}
	return sum
}

// last is the largest number of weights to look at. Where the person set none, it
// is four, or three more than the fewest that could reach so far: beyond that
// weights only fight each other, and cutting one to size serves better.
func (b *box) last(target complex128, o *Options) int {
	last := min(o.MaxWeights, mostPieces, b.room())
	if !o.open {
		return last
	}
	k := 0
	for k < last && b.floor(target, k) > o.Accept {
		k++
	}
	o.MaxWeights = max(usual, k+usual-1)
	return min(last, o.MaxWeights)
}

// room is the most pieces that the places and the stock allow at all.
func (b *box) room() int {
	n, stock := 0, 0
	lightest := math.Inf(1)
	for i := range b.pieces {
		if b.pieces[i].mass > 0 {
			lightest = math.Min(lightest, b.pieces[i].mass)
		}
	}
	if math.IsInf(lightest, 1) {
		return 2 * len(b.old)
	}
	for _, q := range b.places {
		n += int(math.Min(float64(b.stack), math.Max(0, q.cap/lightest*(1+1e-9))))
	}
	for _, c := range b.stock {
		stock += c
	}
	if b.stock != nil {
		n = min(n, stock+len(b.old))
	}
	return n + 2*len(b.old)
}
