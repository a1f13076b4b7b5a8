package balance

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// barrier solves, by a logarithmic barrier and Newton's method,
//
//	min max|r|     (worst)   or   min sum |r|^2
//	subject to |w_p| <= cap_p where a cap is given,
//
// from a start inside the caps. Cones enter as -log(t^2 - |r|^2) and
// -log(cap^2 - |w|^2) (Boyd and Vandenberghe, Convex Optimization, 11.6, from
// memory). bound is the value minus the duality gap that the barrier proves.
func (p *problem) barrier(start []complex128, worst bool, gap float64) (w []complex128, bound float64) {
	b := newBarrier(p, start, worst)
	cones := 0.0
	if worst {
		cones += 2 * float64(p.a.rows)
	}
	for _, c := range b.caps {
		if c > 0 {
			cones += 2
		}
	}
	for kappa := 1.0; ; kappa *= 6 {
		b.centre(kappa)
		if proved := cones / kappa; proved <= gap*b.objective() || kappa > 1e18 {
			bound = math.Max(0, b.objective()-proved)
			break
		}
	}
	w = make([]complex128, len(start))
	for i := range w {
		w[i] = b.w[i] / complex(b.scale[i], 0)
	}
	return w, bound * b.size
}

// barrierState works on a scaled copy: as-found vectors about 1 and columns of
// length 1, so that one set of step sizes serves all units.
type barrierState struct {
	problem
	worst bool
	w     []complex128
	t     float64
	scale []float64
	size  float64
	grad  []float64
	hess  *mat.SymDense
}

func newBarrier(p *problem, start []complex128, worst bool) *barrierState {
	a, scale := scaleColumns(p.a)
	b := &barrierState{problem: problem{a: a}, worst: worst, scale: scale, size: norm(p.v0)}
	if b.size == 0 {
		b.size = 1
	}
	n := p.a.cols
	b.v0, b.w, b.caps = make([]complex128, p.a.rows), make([]complex128, n), make([]float64, n)
	for i, v := range p.v0 {
		b.v0[i] = v / complex(b.size, 0)
	}
	for i, w := range start {
		scale[i] /= b.size
		b.w[i] = w * complex(scale[i], 0)
		if p.caps != nil {
			b.caps[i] = p.caps[i] * scale[i]
		}
	}
	for _, r := range b.residuals(b.w) {
		b.t = math.Max(b.t, 1.2*cmplx.Abs(r))
	}
	b.t += 1e-3
	dim := 2 * n
	if worst {
		dim++
	}
	b.grad, b.hess = make([]float64, dim), mat.NewSymDense(dim, nil)
	return b
}

func (b *barrierState) objective() float64 {
	if b.worst {
		return b.t
	}
	s := 0.0
	for _, r := range b.residuals(b.w) {
		s += abs2(r)
	}
	return s
}

// value is kappa times the objective plus the barriers; +Inf outside.
func (b *barrierState) value(kappa float64, w []complex128, t float64) float64 {
	f := 0.0
	for i := range b.v0 {
		r2 := abs2(b.v0[i] + dot(b.a.row(i), w))
		if !b.worst {
			f += kappa * r2
			continue
		}
		d := t*t - r2
		if !(d > 0) || t <= 0 {
			return math.Inf(1)
		}
		f -= math.Log(d)
	}
	if b.worst {
		f += kappa * t
	}
	for i, c := range b.caps {
		if c > 0 {
			d := c*c - abs2(w[i])
			if !(d > 0) {
				return math.Inf(1)
			}
			f -= math.Log(d)
		}
	}
	return f
}

// slope fills gradient and Hessian at the present point.
func (b *barrierState) slope(kappa float64) {
	n := len(b.w)
	dim := len(b.grad)
	clear(b.grad)
	b.hess.Zero()
	dr := make([]float64, dim) // gradient of |r|^2, or of t^2-|r|^2 below
	for i := range b.v0 {
		row := b.a.row(i)
		r := b.v0[i] + dot(row, b.w)
		for k, a := range row {
			c := cmplx.Conj(r) * a
			dr[2*k], dr[2*k+1] = 2*real(c), -2*imag(c)
		}
		f := kappa // weight of |r|^2 in the sum
		if b.worst {
			d := b.t*b.t - abs2(r)
			f = 1 / d
			b.grad[dim-1] -= 2 * b.t / d
			dr[dim-1] = -2 * b.t
			b.hess.SetSym(dim-1, dim-1, b.hess.At(dim-1, dim-1)-2/d)
			b.hess.SymRankOne(b.hess, 1/(d*d), mat.NewVecDense(dim, dr))
		}
		for k := range 2 * n {
			b.grad[k] += f * dr[k]
		}
		for k, a := range row { // 2 J^T J, J the real form of row
			for l := k; l < n; l++ {
				c := cmplx.Conj(a) * row[l]
				b.add(2*k, 2*l, 2*f*real(c))
				b.add(2*k+1, 2*l+1, 2*f*real(c))
				b.add(2*k, 2*l+1, -2*f*imag(c))
				if l > k {
					b.add(2*k+1, 2*l, 2*f*imag(c))
				}
			}
		}
	}
	if b.worst {
		b.grad[dim-1] += kappa
	}
	for k, c := range b.caps {
		if c <= 0 {
			continue
		}
		x, y := real(b.w[k]), imag(b.w[k])
		d := c*c - x*x - y*y
		b.grad[2*k] += 2 * x / d
		b.grad[2*k+1] += 2 * y / d
		b.add(2*k, 2*k, 2/d+4*x*x/(d*d))
		b.add(2*k+1, 2*k+1, 2/d+4*y*y/(d*d))
		b.add(2*k, 2*k+1, 4*x*y/(d*d))
	}
}

func (b *barrierState) add(i, j int, v float64) { b.hess.SetSym(i, j, b.hess.At(i, j)+v) }

// centre takes Newton steps to the minimum for this kappa.
func (b *barrierState) centre(kappa float64) {
	dim := len(b.grad)
	step := mat.NewVecDense(dim, nil)
	w := make([]complex128, len(b.w))
	for range 50 {
		b.slope(kappa)
		var ch mat.Cholesky
		for damp := 0.0; !ch.Factorize(b.hess); damp = 10*damp + 1e-14 {
			if damp > 1 {
				return
			}
			for i := range dim {
				b.add(i, i, damp*(1+b.hess.At(i, i)))
			}
		}
		if err := ch.SolveVecTo(step, mat.NewVecDense(dim, b.grad)); err != nil {
			if _, near := err.(mat.Condition); !near {
				return
			}
		}
		decrement := mat.Dot(step, mat.NewVecDense(dim, b.grad))
		if !(decrement > 1e-12) {
			return
		}
		if !b.walk(kappa, step, decrement, w) {
			return
		}
	}
}

// walk goes along the Newton step as far as the value falls.
func (b *barrierState) walk(kappa float64, step *mat.VecDense, decrement float64, w []complex128) bool {
	from := b.value(kappa, b.w, b.t)
	for s := 1.0; s > 1e-10; s /= 2 {
		t := b.t
		if b.worst {
			t -= s * step.AtVec(len(b.grad)-1)
		}
		for i := range w {
			w[i] = b.w[i] - complex(s*step.AtVec(2*i), s*step.AtVec(2*i+1))
		}
		if b.value(kappa, w, t) <= from-0.1*s*decrement+1e-15*math.Abs(from) {
			copy(b.w, w)
			b.t = t
			return true
		}
	}
	return false
}
