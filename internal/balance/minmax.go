package balance

import (
	"math"
	"math/cmplx"
)

// minMax makes the worst row as small as it can be. Lawson's iteration (weights
// multiplied by their residual, Lawson 1961, from memory) comes first: at every
// step the weighted rms is a lower bound of the optimum and the worst row an
// upper bound. Where that is too slow or a cap binds, a barrier method finishes.
func (p *problem) minMax(gap float64) (w []complex128, bound float64) {
	w, bound, ok := p.lawson(gap, 150)
	if ok && !p.overCap(w) {
		return w, bound
	}
	start := make([]complex128, p.a.cols)
	for i := range start {
		start[i] = w[i]
		if c := p.caps; len(c) > 0 && c[i] > 0 && cmplx.Abs(w[i]) > 0.9*c[i] {
			start[i] *= complex(0.9*c[i]/cmplx.Abs(w[i]), 0)
		}
	}
	return p.barrier(start, true, gap)
}

// capped minimises sum |r|^2 inside the caps.
func (p *problem) capped(w []complex128) []complex128 {
	start := make([]complex128, len(w))
	for i := range w {
		start[i] = w[i]
		if c := p.caps[i]; c > 0 && cmplx.Abs(w[i]) > 0.9*c {
			start[i] *= complex(0.9*c/cmplx.Abs(w[i]), 0)
		}
	}
	w, _ = p.barrier(start, false, 1e-10)
	return w
}

// lawson iterates until the worst row is within gap of the certificate.
func (p *problem) lawson(gap float64, steps int) (w []complex128, bound float64, ok bool) {
	n, cols := p.a.rows, p.a.cols
	u := make([]float64, n)
	for i := range u {
		u[i] = 1 / float64(n)
	}
	best := math.Inf(1)
	w = make([]complex128, cols)
	trial, normal := make([]complex128, cols), newMatrix(cols, cols)
	res := make([]float64, n)
	for range steps {
		if !p.weighted(u, normal, trial) {
			break
		}
		worst, mean, sum := 0.0, 0.0, 0.0
		for i := range res {
			r := p.v0[i] + dot(p.a.row(i), trial)
			res[i] = math.Sqrt(abs2(r))
			worst = math.Max(worst, res[i])
			mean += u[i] * res[i] * res[i]
			sum += u[i] * res[i]
		}
		if worst < best {
			best = worst
			copy(w, trial)
		}
		bound = math.Max(bound, math.Sqrt(mean))
		if best-bound <= gap*best || best <= 1e-13*norm(p.v0) {
			return w, bound, true
		}
		for i := range u {
			u[i] *= res[i] / sum
		}
	}
	return w, bound, false
}

// weighted solves min sum u |r|^2 by normal equations into w.
func (p *problem) weighted(u []float64, normal matrix, w []complex128) bool {
	clear(normal.v)
	clear(w)
	for s, us := range u {
		row := p.a.row(s)
		for i, ai := range row {
			c := complex(us*real(ai), -us*imag(ai))
			w[i] -= c * p.v0[s]
			for j := 0; j <= i; j++ {
				normal.v[i*normal.cols+j] += c * row[j]
			}
		}
	}
	return solveHermitian(normal, w)
}
