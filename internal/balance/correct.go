package balance

import (
	"fmt"
	"math"
	"math/cmplx"
)

// problem is the choice of weights for known coefficients: make the residuals
// r = v0 + a w small. Rows are already divided by their tolerance where the
// method asks for that.
type problem struct {
	v0   []complex128
	a    matrix // rows x planes
	caps []float64
	// What the method Ridge adds to the normal equations.
	ridge    matrix
	ridgeRHS []complex128
}

func (p *problem) residuals(w []complex128) []complex128 {
	r := p.a.mulVec(w)
	for i := range r {
		r[i] += p.v0[i]
	}
	return r
}

// leastSquares minimises sum |r|^2.
func (p *problem) leastSquares() []complex128 {
	scaled, scale := scaleColumns(p.a)
	w := decompose(scaled).pseudoInverse().mulVec(p.v0)
	for i := range w {
		w[i] /= complex(-scale[i], 0)
	}
	return w
}

// regularised minimises sum |r|^2 plus what the ridge says about the part of
// the coefficients that is not known.
func (p *problem) regularised() ([]complex128, bool) {
	n := p.ridge.clone()
	rhs := make([]complex128, p.a.cols)
	for i, b := range p.ridgeRHS {
		rhs[i] = -b
	}
	for s := range p.a.rows {
		row := p.a.row(s)
		for i, ai := range row {
			rhs[i] -= cmplx.Conj(ai) * p.v0[s]
			for j, aj := range row {
				n.v[i*n.cols+j] += cmplx.Conj(ai) * aj
			}
		}
	}
	scale := make([]float64, n.rows)
	for i := range scale {
		scale[i] = math.Sqrt(real(n.at(i, i)))
		if !(scale[i] > 0) {
			return nil, false
		}
	}
	for i := range n.rows {
		rhs[i] /= complex(scale[i], 0)
		for j := range n.cols {
			n.v[i*n.cols+j] /= complex(scale[i]*scale[j], 0)
		}
	}
	if !solveHermitian(n, rhs) {
		return nil, false
	}
	for i := range rhs {
		rhs[i] /= complex(scale[i], 0)
	}
	return rhs, true
}

// overCap says whether a weight exceeds the cap of its plane.
func (p *problem) overCap(w []complex128) bool {
	for i, c := range p.caps {
		if c > 0 && cmplx.Abs(w[i]) > c*(1+1e-9) {
			return true
		}
	}
	return false
}

// choose solves the problem by a method, inside the caps. bound is the
// certificate of MinMax: no weight makes the worst row smaller.
func (p *problem) choose(method Method, gap float64) (w []complex128, bound float64, err error) {
	switch method {
	case Ridge:
		var ok bool
		if w, ok = p.regularised(); !ok {
			return nil, 0, fmt.Errorf("the ridge cannot be formed because a plane has no effect and no uncertainty: check the runs of that plane")
		}
	case MinMax:
		w, bound = p.minMax(gap)
		return w, bound, nil
	default:
		w = p.leastSquares()
	}
	if p.overCap(w) {
		w = p.capped(w)
	}
	return w, 0, nil
}
