package blades

import (
	"math/cmplx"
	"math/rand/v2"
)

// Swap says which blade belongs on which place so that unequal moment weights
// cancel best.
type Swap struct {
	Place  []int   // Place[i] is the blade (from 1) to mount at the place of blade i+1
	Before float64 // kg m, |sum M exp(i theta)|
	After  float64
	Exact  bool // every order was tried
}

// mostExact is the number of blades up to which all orders are tried: 9! is
// 362 880.
const mostExact = 9

// Swapping finds the order of blades with moment weights m (kg m) on places at
// theta (rad) with the least static unbalance: by trying all orders up to nine
// blades, beyond that by exchanging pairs until no exchange helps, from many
// starts.
func Swapping(m, theta []float64) Swap {
	n := len(m)
	u := make([]complex128, n)
	order := make([]int, n)
	for i := range n {
		u[i], order[i] = cmplx.Rect(1, theta[i]), i
	}
	s := Swap{Before: residual(m, u, order), Exact: n <= mostExact}
	best := append([]int(nil), order...)
	if s.Exact {
		permute(m, u, order, 0, 0, &best)
	} else {
		exchange(m, u, best)
		r := rand.New(rand.NewPCG(uint64(n), 7))
		for range 40 {
			r.Shuffle(n, func(i, j int) { order[i], order[j] = order[j], order[i] })
			exchange(m, u, order)
			if residual(m, u, order) < residual(m, u, best) {
				copy(best, order)
			}
		}
	}
	s.After = residual(m, u, best)
	for _, b := range best {
		s.Place = append(s.Place, b+1)
	}
	return s
}

func residual(m []float64, u []complex128, order []int) float64 {
	sum := complex128(0)
	for i, b := range order {
		sum += u[i] * complex(m[b], 0)
	}
	return cmplx.Abs(sum)
}

// permute tries all orders; a new best must be better by more than rounding, so
// that of equals the least disturbed order stays.
func permute(m []float64, u []complex128, order []int, k int, sum complex128, best *[]int) {
	if k == len(order) {
		if cmplx.Abs(sum) < residual(m, u, *best)*(1-1e-9)-1e-15 {
			copy(*best, order)
		}
		return
	}
	for i := k; i < len(order); i++ {
		order[k], order[i] = order[i], order[k]
		permute(m, u, order, k+1, sum+u[k]*complex(m[order[k]], 0), best)
		order[k], order[i] = order[i], order[k]
	}
}

// exchange improves an order in place until no exchange of two blades helps.
func exchange(m []float64, u []complex128, order []int) {
	now := residual(m, u, order)
	for better := true; better; {
		better = false
		for i := range order {
			for j := i + 1; j < len(order); j++ {
				order[i], order[j] = order[j], order[i]
				if r := residual(m, u, order); r < now*(1-1e-9) {
					now, better = r, true
					continue
				}
				order[i], order[j] = order[j], order[i]
			}
		}
	}
}
