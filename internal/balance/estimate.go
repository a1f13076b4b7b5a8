package balance

import (
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// estimate fits every group. Without errors it is plain least squares. With
// them it is generalised least squares, in two passes because the placing
// errors are seen through the coefficients.
func (m *model) estimate() {
	for i := range m.groups {
		g := &m.groups[i]
		g.fit(nil)
		if m.known || g.hasPrior() {
			for range 2 {
				g.fit(m.noise(g))
			}
		}
		m.standing(g)
	}
}

func (g *group) hasPrior() bool { return g.obs[len(g.obs)-1].run < 0 }

// coefficients are the part of x after the as-found vectors.
func (g *group) coefficients() []complex128 { return g.x[len(g.states):] }

// fit solves the group; noise is the circular covariance of the observations
// (per axis), or nil for equal weights.
func (g *group) fit(noise *matrix) {
	h := g.design()
	var l matrix
	if noise != nil {
		l = noise.clone()
		cholesky(l) // noise has a positive floor on its diagonal
		col := make([]complex128, h.rows)
		for j := range h.cols {
			for i := range col {
				col[i] = h.at(i, j)
			}
			lowerSolve(l, col)
			for i := range col {
				h.set(i, j, col[i])
			}
		}
	}
	scaled, scale := scaleColumns(h)
	g.gain = decompose(scaled).pseudoInverse()
	for i := range g.gain.rows {
		for j := range g.gain.cols {
			g.gain.v[i*g.gain.cols+j] /= complex(scale[i], 0)
		}
	}
	if noise != nil { // gain = pinv(l^-1 h) l^-1, solved from the right
		for i := range g.gain.rows {
			rightSolve(l, g.gain.row(i))
		}
	}
	y := make([]complex128, len(g.obs))
	for i, o := range g.obs {
		y[i] = o.y
	}
	g.x = g.gain.mulVec(y)
	g.res = make([]complex128, len(g.obs))
	for i, o := range g.obs {
		g.res[i] = o.y - dot(o.h, g.x)
	}
}

// rightSolve solves z l = b for the row z, in place.
func rightSolve(l matrix, b []complex128) {
	for j := len(b) - 1; j >= 0; j-- {
		for k := j + 1; k < len(b); k++ {
			b[j] -= b[k] * l.at(k, j)
		}
		b[j] /= l.at(j, j)
	}
}

// noise is the per-axis covariance of the observations of a group: reading and
// repeatability on the diagonal, and what shared placing errors add.
func (m *model) noise(g *group) *matrix {
	n := newMatrix(len(g.obs), len(g.obs))
	big := 0.0
	for _, o := range g.obs {
		if o.run >= 0 {
			big = math.Max(big, abs2(o.y))
		}
	}
	for i, o := range g.obs {
		v := o.cov.PerAxis()
		if o.run >= 0 {
			v += 1e-20 * big // a reading stated to be exact must not divide by zero
		}
		n.set(i, i, complex(v, 0))
	}
	for _, p := range m.placings {
		var on []int
		for i, o := range g.obs {
			if slices.Contains(p.runs, o.run) {
				on = append(on, i)
			}
		}
		v := complex(m.placingVariance(g, p), 0)
		for _, i := range on {
			for _, j := range on {
				n.v[i*n.cols+j] += v
			}
		}
	}
	return &n
}

// placingVariance is what one act of placing adds to a vector, per axis.
func (m *model) placingVariance(g *group, p placing) float64 {
	e := m.c.Errors
	return abs2(g.coefficients()[p.plane]*p.mass) * (e.Mass*e.Mass + e.Angle*e.Angle) / 2
}

// standing sets g.now. The vector of the rotor as it stands is the fitted one
// of the last run plus the best estimate of the placing errors on the rotor now,
// which the readings made since have shown: c N^-1 (y - h x).
func (m *model) standing(g *group) {
	last := len(m.c.Runs) - 1
	h := make([]complex128, len(g.x))
	k := slices.Index(g.states, m.c.Runs[last].State)
	if k < 0 {
		k = len(g.states) - 1
	}
	h[k] = 1
	copy(h[len(g.states):], m.last)
	g.now = make([]complex128, len(g.obs))
	for i := range g.gain.rows {
		for j := range g.now {
			g.now[j] += h[i] * g.gain.at(i, j)
		}
	}
	if !m.known || m.c.Errors.Mass == 0 && m.c.Errors.Angle == 0 {
		return
	}
	c := make([]complex128, len(g.obs))
	for _, p := range m.placings {
		if !slices.Contains(p.runs, last) {
			continue
		}
		v := complex(m.placingVariance(g, p), 0)
		for i, o := range g.obs {
			if slices.Contains(p.runs, o.run) {
				c[i] += v
			}
		}
	}
	n := m.noise(g)
	if !solveHermitian(*n, c) {
		return
	}
	for i, o := range g.obs { // now += (N^-1 c)^T (1 - h gain), c and N real
		g.now[i] += c[i]
		for j := range g.now {
			for a, ha := range o.h {
				g.now[j] -= c[i] * ha * g.gain.at(a, j)
			}
		}
	}
}

// source is one independent cause of error: what one standard deviation of it
// does to the observations of each group, and to the rotor as it stands.
type source struct {
	dy    [][]complex128 // [group][observation]; nil where untouched
	stand []complex128   // [group]; nil for readings
	dof   float64
}

// sources lists all independent causes of error behind the estimate.
func (m *model) sources() []source {
	var out []source
	for gi, g := range m.groups {
		for i, o := range g.obs {
			for _, d := range axes(o.cov) {
				if d == 0 {
					continue
				}
				s := source{dy: make([][]complex128, len(m.groups)), dof: o.dof}
				s.dy[gi] = make([]complex128, len(g.obs))
				s.dy[gi][i] = d
				out = append(out, s)
			}
		}
	}
	last := len(m.c.Runs) - 1
	for _, p := range m.placings {
		for _, e := range m.slips() {
			s := source{dy: make([][]complex128, len(m.groups)), stand: make([]complex128, len(m.groups))}
			for gi := range m.groups {
				g := &m.groups[gi]
				d := g.coefficients()[p.plane] * p.mass * e
				s.dy[gi] = make([]complex128, len(g.obs))
				for i, o := range g.obs {
					if slices.Contains(p.runs, o.run) {
						s.dy[gi][i] = d
					}
				}
				if slices.Contains(p.runs, last) {
					s.stand[gi] = d
				}
			}
			out = append(out, s)
		}
	}
	return out
}

// slips are the two ways to misplace a weight, one standard deviation each, as
// factors on its phasor: along it (mass) and across it (angle).
func (m *model) slips() []complex128 {
	var out []complex128
	if e := m.c.Errors.Mass; e > 0 {
		out = append(out, complex(e, 0))
	}
	if e := m.c.Errors.Angle; e > 0 {
		out = append(out, complex(0, e))
	}
	return out
}

// axes are the two principal half axes of a covariance as phasors.
func axes(c rotor.Cov) [2]complex128 {
	major, minor, a := c.Principal()
	return [2]complex128{cmplx.Rect(major, a), cmplx.Rect(minor, a+math.Pi/2)}
}
