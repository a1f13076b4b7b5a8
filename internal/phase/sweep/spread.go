package sweep

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"

	"counterpoise/internal/phase"
)

// spread is what is known of the errors of a fit's parameters: ln w and ln zeta
// of every pole, then of each channel's shares.
type spread struct {
	size  int
	cov   *mat.SymDense
	white *mat.SymDense // what white noise of the size of the rest would give: the bound of Cramer and Rao
	inv   *mat.SymDense // inverse of the normal matrix
	rows  [][]row       // [point][channel]
	lag   int
}

// row are the derivatives of one channel at one point by its parameters, over its noise.
type row struct {
	v  []complex128
	at []int // which parameters
}

// covariance is the sandwich estimate with Bartlett's weights over neighbouring
// points, so that noise which hangs together from turn to turn, and what the
// model cannot follow, widen the intervals (Newey and West, Econometrica 55,
// 1987; from memory). A resonance is passed within few turns, and those pull the
// fit towards themselves: each rest is divided by 1 - leverage (MacKinnon and
// White, J. of Econometrics 29, 1985; from memory).
func (f *Fit) covariance(p *problem, sol solved) {
	k, m := p.sizes(f.poles)
	s := &spread{size: k + len(p.channels)*m}
	n := len(p.points)
	s.rows = p.rowsOf(f.poles, sol)
	h := mat.NewSymDense(s.size, nil)
	for _, rs := range s.rows {
		for _, r := range rs {
			for a, va := range r.v {
				for b := a; b < len(r.v); b++ {
					h.SetSym(r.at[a], r.at[b], h.At(r.at[a], r.at[b])+real(va*cmplx.Conj(r.v[b])))
				}
			}
		}
	}
	if s.inv = inverse(h); s.inv == nil {
		return
	}
	score := mat.NewDense(n, s.size, nil)
	for i, rs := range s.rows {
		for c, r := range rs {
			rest := sol.resid[c][i] / complex(1-math.Min(mostLeverage, s.leverage(r)), 0)
			for a, va := range r.v {
				score.Set(i, r.at[a], score.At(i, r.at[a])+real(va*cmplx.Conj(rest)))
			}
		}
	}
	s.lag = lagOf(sol.resid)
	var left, all mat.Dense
	left.Mul(s.inv, meatOf(score, n, s.size, s.lag))
	all.Mul(&left, s.inv)
	// A sandwich of few neighbours may come out thin by chance: no parameter is
	// said to be better known than white noise of the size of the rest allows.
	rest := sol.cost / math.Max(1, float64(2*n*len(p.channels)-s.size))
	stretch := make([]float64, s.size)
	for a := range s.size {
		stretch[a] = math.Sqrt(math.Max(1, rest*s.inv.At(a, a)/math.Max(all.At(a, a), 1e-300)))
	}
	s.white, s.cov = mat.NewSymDense(s.size, nil), mat.NewSymDense(s.size, nil)
	s.white.ScaleSym(rest, s.inv)
	for a := range s.size {
		for b := a; b < s.size; b++ {
			s.cov.SetSym(a, b, stretch[a]*stretch[b]*(all.At(a, b)+all.At(b, a))/2)
		}
	}
	f.spread = s
}

// mostLeverage that is believed.
const mostLeverage = 0.7

// sizes are the numbers of real parameters: of all poles, and of a channel's shares.
func (p *problem) sizes(poles []pole) (k, m int) {
	return 2 * len(poles), 2 * (len(poles) + outsideTerms)
}

// rowsOf are the derivatives at every point.
func (p *problem) rowsOf(poles []pole, sol solved) [][]row {
	k, m := p.sizes(poles)
	d := p.design(poles)
	moves := make([]design, k)
	const by = 1e-5
	for j := range moves {
		moves[j] = p.with(d, j/2, moved(poles[j/2], j%2, by))
	}
	out := make([][]row, len(p.points))
	for i := range out {
		out[i] = make([]row, len(p.quantity))
		for c, q := range p.quantity {
			r := row{v: make([]complex128, k+m), at: make([]int, k+m)}
			w := complex(p.weight[i]/p.noise[c], 0)
			here := at(d[q], sol.shares[c], i)
			for j := range k {
				r.v[j], r.at[j] = w*(at(moves[j][q], sol.shares[c], i)-here)/by, j
			}
			for a := range m {
				r.v[k+a], r.at[k+a] = w*column(d[q], a)[i], k+c*m+a
			}
			out[i][c] = r
		}
	}
	return out
}

// inverse of a positive matrix of badly scaled parameters; nil where it has none.
func inverse(h *mat.SymDense) *mat.SymDense {
	size := h.SymmetricDim()
	scale := make([]float64, size)
	for a := range size {
		scale[a] = 1 / math.Sqrt(math.Max(h.At(a, a), 1e-300))
	}
	scaled := mat.NewSymDense(size, nil)
	for a := range size {
		for b := a; b < size; b++ {
			v := h.At(a, b) * scale[a] * scale[b]
			if a == b {
				v += 1e-10
			}
			scaled.SetSym(a, b, v)
		}
	}
	var chol mat.Cholesky
	inv := mat.NewSymDense(size, nil)
	if !chol.Factorize(scaled) || chol.InverseTo(inv) != nil {
		return nil
	}
	for a := range size {
		for b := a; b < size; b++ {
			inv.SetSym(a, b, inv.At(a, b)*scale[a]*scale[b])
		}
	}
	return inv
}

// leverage is the pull of a point on its own fitted value, mean of both axes.
func (s *spread) leverage(r row) (h float64) {
	for a, va := range r.v {
		for b, vb := range r.v {
			h += s.inv.At(r.at[a], r.at[b]) * real(va*cmplx.Conj(vb))
		}
	}
	return h / 2
}

const leastLag, mostLag = 2, 12

// lagOf is over how many neighbours the rests hang together: Andrews' rule for
// Bartlett's weights (Econometrica 59, 1991; from memory) with the correlation of
// next neighbours over all channels.
func lagOf(resid [][]complex128) int {
	var own, next float64
	n := 0
	for _, r := range resid {
		n = len(r)
		for i := 1; i < n; i++ {
			own += real(r[i] * cmplx.Conj(r[i]))
			next += real(r[i] * cmplx.Conj(r[i-1]))
		}
	}
	rho := math.Max(-0.97, math.Min(0.97, next/math.Max(own, 1e-300)))
	alpha := 4 * rho * rho / math.Pow((1-rho)*(1+rho), 2)
	l := int(math.Ceil(1.1447 * math.Cbrt(alpha*float64(n))))
	return max(1, min(max(l, leastLag), mostLag, n/10))
}

// meatOf: Bartlett's kernel is a running sum convolved with itself, so the meat
// is the mean of the squares of running sums over lag+1 neighbours.
func meatOf(score *mat.Dense, n, size, lag int) *mat.Dense {
	meat := mat.NewDense(size, size, nil)
	run := mat.NewDense(n+lag, size, nil)
	for i := range n {
		for l := 0; l <= lag; l++ {
			for a := range size {
				run.Set(i+l, a, run.At(i+l, a)+score.At(i, a))
			}
		}
	}
	meat.Mul(run.T(), run)
	meat.Scale(1/float64(lag+1), meat)
	return meat
}

// of is the standard deviation of a quantity with gradient g by the parameters
// in at, and the bound of it. It is widened, so that 95 % lie within the normal
// 1.96 of them although the few turns that bear on the quantity leave its
// variance unsure (Student's t).
func (s *spread) of(g []float64, at []int) (sd, bound float64) {
	full := mat.NewVecDense(s.size, nil)
	for a, v := range g {
		full.SetVec(at[a], full.AtVec(at[a])+v)
	}
	bound = math.Sqrt(math.Max(0, mat.Inner(full, s.white, full)))
	sd = math.Sqrt(math.Max(0, mat.Inner(full, s.cov, full)))
	return sd * phase.TLimit(0.95, s.freedom(full)) / phase.TLimit(0.95, 0), bound
}

// freedom are the degrees of freedom of the variance of a quantity: as many
// points as carry its weight, each with two axes a channel, over the neighbours
// that are taken together (the variance of Bartlett's estimate is 4/3 lag/n).
func (s *spread) freedom(g *mat.VecDense) float64 {
	var pull mat.VecDense
	pull.MulVec(s.inv, g)
	var sum, sq float64
	for _, rs := range s.rows {
		for _, r := range rs {
			var re, im float64
			for a, va := range r.v {
				re += real(va) * pull.AtVec(r.at[a])
				im += imag(va) * pull.AtVec(r.at[a])
			}
			for _, w := range []float64{re * re, im * im} {
				sum += w
				sq += w * w
			}
		}
	}
	points := sum * sum / math.Max(sq, 1e-300)
	return math.Max(leastFreedom, 1.5*points/float64(1+s.lag))
}

const leastFreedom = 3
