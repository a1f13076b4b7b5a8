package sweep

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"counterpoise/internal/rotor"
)

// problem is the least-squares problem of one fit: channels that share the
// poles, each with its own complex shares.
type problem struct {
	*course
	channels []int            // of the Sweep
	quantity []rotor.Quantity // of each
	y        [][]complex128   // [channel][point]
	noise    []float64        // of each channel, per axis of a turn at the mean speed
	weight   []float64        // [point], 1 over the relative standard deviation
	ref      float64          // rad/s, scales the columns
	drift    bool             // natural frequencies may move with the speed
}

// outsideTerms of every channel: the modes above and below.
const outsideTerms = 2

// design are the columns for a set of poles, by quantity.
type design map[rotor.Quantity][]columns

func (p *problem) design(poles []pole) design {
	d := design{}
	for _, q := range p.quantity {
		if _, ok := d[q]; ok {
			continue
		}
		var cs []columns
		for _, pl := range poles {
			cs = append(cs, p.mode(pl, q))
		}
		above, below := p.outside(q, p.ref)
		d[q] = append(cs, above, below)
	}
	return d
}

// with is the design with the columns of one pole replaced or put in before the
// outside terms.
func (p *problem) with(d design, i int, pl pole) design {
	out := design{}
	for q, cs := range d {
		cs = slices.Clone(cs)
		if i == len(cs)-outsideTerms {
			cs = slices.Insert(cs, i, p.mode(pl, q))
		} else {
			cs[i] = p.mode(pl, q)
		}
		out[q] = cs
	}
	return out
}

// solved is the linear part of a fit.
type solved struct {
	shares [][]complex128 // [channel][column]
	resid  [][]complex128 // [channel][point], over noise and weight
	cost   float64        // sum of squares
}

// linear finds every channel's shares for given poles.
func (p *problem) linear(d design) (s solved, ok bool) {
	type factored struct {
		chol  mat.Cholesky
		scale []float64
	}
	done := map[rotor.Quantity]*factored{}
	for c, q := range p.quantity {
		cs := d[q]
		m := 2 * len(cs)
		f := done[q]
		if f == nil {
			f = &factored{scale: make([]float64, m)}
			g := mat.NewSymDense(m, nil)
			for a := range m {
				for b := a; b < m; b++ {
					g.SetSym(a, b, p.dot(column(cs, a), column(cs, b)))
				}
			}
			for a := range m {
				f.scale[a] = 1 / math.Sqrt(math.Max(g.At(a, a), 1e-300))
			}
			for a := range m {
				for b := a; b < m; b++ {
					v := g.At(a, b) * f.scale[a] * f.scale[b]
					if a == b {
						v += 1e-10
					}
					g.SetSym(a, b, v)
				}
			}
			if !f.chol.Factorize(g) {
				return s, false
			}
			done[q] = f
		}
		rhs, x := mat.NewVecDense(m, nil), mat.NewVecDense(m, nil)
		for a := range m {
			rhs.SetVec(a, p.dot(column(cs, a), p.y[c])*f.scale[a])
		}
		if f.chol.SolveVecTo(x, rhs) != nil {
			return s, false
		}
		shares := make([]complex128, len(cs))
		for k := range shares {
			shares[k] = complex(x.AtVec(2*k)*f.scale[2*k], x.AtVec(2*k+1)*f.scale[2*k+1])
		}
		resid := make([]complex128, len(p.points))
		for i := range resid {
			r := (p.y[c][i] - at(cs, shares, i)) * complex(p.weight[i]/p.noise[c], 0)
			resid[i] = r
			s.cost += real(r)*real(r) + imag(r)*imag(r)
		}
		s.shares, s.resid = append(s.shares, shares), append(s.resid, resid)
	}
	return s, !math.IsNaN(s.cost)
}

// column a of the real design: even for the real part of a share, odd for its
// imaginary part.
func column(cs []columns, a int) []complex128 {
	if a%2 == 0 {
		return cs[a/2].re
	}
	return cs[a/2].im
}

// at is the model at point i.
func at(cs []columns, shares []complex128, i int) (v complex128) {
	for k, s := range shares {
		v += complex(real(s), 0)*cs[k].re[i] + complex(imag(s), 0)*cs[k].im[i]
	}
	return v
}

func (p *problem) dot(a, b []complex128) (sum float64) {
	for i, w := range p.weight {
		sum += w * w * (real(a[i])*real(b[i]) + imag(a[i])*imag(b[i]))
	}
	return sum
}

// Bounds of what is tried.
const (
	leastZeta, mostZeta = 0.002, 0.6
	belowSweep          = 0.4 // of the lowest speed
	aboveSweep          = 3.0 // of the highest
	mostDrift           = 0.4
)

func (p *problem) inBounds(pl pole, low, high float64) bool {
	return math.Abs(pl.drift) <= mostDrift && pl.zeta >= leastZeta && pl.zeta <= mostZeta && pl.omega >= belowSweep*low && pl.omega <= aboveSweep*high
}

// add finds the best place for one more pole beside those in d.
func (p *problem) add(d design, poles []pole, low, high float64) (best pole, cost float64) {
	cost = math.Inf(1)
	try := func(pl pole) {
		if s, ok := p.linear(p.with(d, len(poles), pl)); ok && s.cost < cost {
			best, cost = pl, s.cost
		}
	}
	const places = 28
	for i := range places {
		w := 0.95 * low * math.Pow(1.15*high/low, float64(i)/(places-1))
		for _, z := range []float64{0.015, 0.05, 0.15} {
			try(pole{omega: w, zeta: z})
		}
	}
	for _, f := range []float64{1.3, 1.6, 2, 2.5} {
		try(pole{omega: f * high, zeta: 0.05})
	}
	return best, cost
}

// refine moves the poles to the least sum of squares: Levenberg and Marquardt
// over ln w and ln zeta, the shares eliminated (variable projection: Golub and
// Pereyra, SIAM J. Numerical Analysis 10, 1973; from memory).
func (p *problem) refine(poles []pole, low, high float64) ([]pole, solved, bool) {
	d := p.design(poles)
	s, ok := p.linear(d)
	if !ok {
		return poles, s, false
	}
	s.cost += drifting(poles)
	each := 2
	if p.drift {
		each = 3
	}
	n := each * len(poles)
	lambda := 1e-2
	for range 40 {
		jac := make([][][]complex128, n)
		for j := range n {
			t, ok := p.linear(p.with(d, j/each, moved(poles[j/each], j%each, 1e-5)))
			if !ok {
				return poles, s, false
			}
			jac[j] = difference(t.resid, s.resid, 1e-5)
		}
		h, g := normal(jac, s.resid)
		for i := range poles {
			if p.drift {
				h[3*i+2][3*i+2] += 1 / (usualDrift * usualDrift)
				g[3*i+2] -= poles[i].drift / (usualDrift * usualDrift)
			}
		}
		improved := false
		for range 8 {
			step, ok := damped(h, g, lambda)
			if !ok {
				lambda *= 10
				continue
			}
			next := slices.Clone(poles)
			inside := true
			for j, dj := range step {
				next[j/each] = moved(next[j/each], j%each, math.Max(-0.3, math.Min(0.3, dj)))
			}
			for _, pl := range next {
				inside = inside && p.inBounds(pl, low, high)
			}
			if inside {
				nd := p.design(next)
				t, ok := p.linear(nd)
				if t.cost += drifting(next); ok && t.cost < s.cost {
					gain := (s.cost - t.cost) / s.cost
					poles, d, s, lambda, improved = next, nd, t, math.Max(1e-9, lambda/5), true
					if gain < 1e-9 {
						return poles, s, true
					}
					break
				}
			}
			lambda *= 4
		}
		if !improved {
			break
		}
	}
	return poles, s, true
}

// usualDrift is the standard deviation of what modes drift by before anything is
// measured, a few times unseenDrift: without it the drift, which few turns tell,
// takes up noise that hangs together from turn to turn. Our choice.
const usualDrift = 0.1

// drifting is what drifts cost beside the rests; nothing where none is tried.
func drifting(poles []pole) (cost float64) {
	for _, p := range poles {
		cost += p.drift * p.drift / (usualDrift * usualDrift)
	}
	return cost
}

// moved changes ln w (which 0), ln zeta (1) or the drift (2) by d.
func moved(p pole, which int, d float64) pole {
	switch which {
	case 0:
		p.omega *= math.Exp(d)
	case 1:
		p.zeta *= math.Exp(d)
	default:
		p.drift += d
	}
	return p
}

func difference(a, b [][]complex128, by float64) [][]complex128 {
	out := make([][]complex128, len(a))
	for c := range a {
		out[c] = make([]complex128, len(a[c]))
		for i := range a[c] {
			out[c][i] = (a[c][i] - b[c][i]) / complex(by, 0)
		}
	}
	return out
}

func normal(jac [][][]complex128, r [][]complex128) (h [][]float64, g []float64) {
	h, g = make([][]float64, len(jac)), make([]float64, len(jac))
	for j := range jac {
		h[j] = make([]float64, len(jac))
		for k := range jac {
			for c := range r {
				h[j][k] += inner(jac[j][c], jac[k][c])
			}
		}
		for c := range r {
			g[j] -= inner(jac[j][c], r[c])
		}
	}
	return h, g
}

func inner(a, b []complex128) (sum float64) {
	for i := range a {
		sum += real(a[i] * cmplx.Conj(b[i]))
	}
	return sum
}

func damped(h [][]float64, g []float64, lambda float64) ([]float64, bool) {
	n := len(g)
	m := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			v := h[i][j]
			if i == j {
				v *= 1 + lambda
				v += 1e-12
			}
			m.SetSym(i, j, v)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(m) {
		return nil, false
	}
	x := mat.NewVecDense(n, nil)
	if chol.SolveVecTo(x, mat.NewVecDense(n, g)) != nil {
		return nil, false
	}
	return x.RawVector().Data, true
}
