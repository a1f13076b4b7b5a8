package balance

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"counterpoise/internal/rotor"
)

// monteCarlo states the intervals by drawing: the estimate stands for the truth,
// every draw errs as the readings may have erred, is solved as the case was
// solved, and is compared with the truth. It holds where a trial barely rose
// above the noise and first order promises too much, and where a cap or the
// min-max rule makes the solution bend.
func (s *solver) monteCarlo(w, further []complex128, limited bool) {
	n := s.o.Draws
	if n <= 0 {
		n = 2000
		if limited {
			n = 400 // each draw is a whole optimisation
		}
	}
	d := newDraws(s, n)
	d.add = make([]complex128, len(w))
	for p := range d.add {
		d.add[p] = further[p] - s.m.last[p]
	}
	if limited {
		d.runSlow(w)
	} else {
		d.run(w)
	}
	d.state(w)
}

// state writes what the draws say into the answer. Where first order has already
// spoken the wider of the two counts: first order is blind to skew, and draws
// about a noisy estimate of several sensors come out a little narrow (92 to 94 %
// in place of 95 % at ten times the noise, own simulation).
func (d *draws) state(w []complex128) {
	wide, wider := d.widen()
	up := func(to **float64, v float64) {
		if *to == nil || **to < v {
			*to = &v
		}
	}
	a := d.s.a
	for i := range a.Predicted {
		up(&a.Predicted[i].Radius95, quantile(d.miss[i], 0.95)*wide)
		up(&a.Predicted[i].FurtherRadius95, quantile(d.missF[i], 0.95)*wide)
	}
	for p := range w {
		size, at := cmplx.Abs(w[p]), cmplx.Phase(w[p])
		m, turn := percentiles(d.mass[p]), percentiles(d.angle[p])
		m = Interval{math.Max(0, size-wider*(size-m.Lo)), size + wider*(m.Hi-size)}
		turn = Interval{at + math.Max(-math.Pi, wider*turn.Lo), at + math.Min(math.Pi, wider*turn.Hi)}
		c := &a.Corrections[p]
		c.Mass, c.Angle = hull(c.Mass, m), hull(c.Angle, turn)
	}
}

func hull(a *Interval, b Interval) *Interval {
	if a != nil {
		b = Interval{math.Min(a.Lo, b.Lo), math.Max(a.Hi, b.Hi)}
	}
	return &b
}

// draws holds the samples and scratch of one Monte Carlo run.
type draws struct {
	s     *solver
	rng   *rand.Rand
	n     int
	miss  [][]float64 // [row][draw] |truth - predicted| after the total
	missF [][]float64 // [row][draw] likewise after the further weight
	mass  [][]float64 // [plane][draw]
	angle [][]float64 // [plane][draw] turned from the estimate, rad
	add   []complex128

	maps  []groupMap     // [group]
	dx    [][]complex128 // [group] error of the unknowns in this draw
	now   []complex128   // [group] error of the standing vector in this draw
	spots []spotMap      // placings
	inv   matrix
	wd    []complex128
	slip  []complex128 // of the correction's weights in this draw
	t2    []float64
}

// groupMap turns independent unit normals into errors of a group's unknowns.
type groupMap struct {
	real   [][]complex128 // one per normal: change of the unknowns
	stands []complex128   // one per normal: change of the standing vector
}

// spotMap is one slip of one placing, across all groups.
type spotMap struct {
	dx  [][]complex128 // [group]
	now []complex128   // [group]
}

func newDraws(s *solver, n int) *draws {
	d := &draws{s: s, n: n, rng: rand.New(rand.NewPCG(s.o.Seed, 0x9e3779b97f4a7c15))}
	rows, planes := len(s.rows), len(s.m.c.Planes)
	block := func(k int) [][]float64 {
		out := make([][]float64, k)
		for i := range out {
			out[i] = make([]float64, n)
		}
		return out
	}
	d.miss, d.missF, d.mass, d.angle = block(rows), block(rows), block(planes), block(planes)
	groups := len(s.m.groups)
	d.maps, d.dx, d.now = make([]groupMap, groups), make([][]complex128, groups), make([]complex128, groups)
	for gi := range s.m.groups {
		d.dx[gi] = make([]complex128, len(s.m.groups[gi].x))
	}
	for _, src := range s.m.sources() {
		if src.stand == nil { // a reading: one group only
			for gi, dy := range src.dy {
				if dy != nil {
					g := &s.m.groups[gi]
					d.maps[gi].real = append(d.maps[gi].real, g.gain.mulVec(dy))
					d.maps[gi].stands = append(d.maps[gi].stands, dot(g.now, dy))
				}
			}
			continue
		}
		sp := spotMap{now: make([]complex128, groups)}
		for gi, dy := range src.dy {
			g := &s.m.groups[gi]
			sp.dx = append(sp.dx, g.gain.mulVec(dy))
			sp.now[gi] = dot(g.now, dy) - src.stand[gi]
		}
		d.spots = append(d.spots, sp)
	}
	d.compress()
	d.inv, d.wd, d.slip = newMatrix(planes, planes), make([]complex128, planes), make([]complex128, planes)
	for _, t := range s.rowWeights() {
		d.t2 = append(d.t2, t*t)
	}
	return d
}

// compress replaces a group's normals by as few as its unknowns need: the
// Cholesky factor of their joint covariance with the standing vector.
func (d *draws) compress() {
	for gi := range d.maps {
		m := &d.maps[gi]
		k := len(d.dx[gi])
		dim := 2 * (k + 1)
		if len(m.real) <= dim {
			continue
		}
		cov := make([]float64, dim*dim)
		v := make([]float64, dim)
		for j, r := range m.real {
			for i, z := range append(slices.Clone(r), m.stands[j]) {
				v[2*i], v[2*i+1] = real(z), imag(z)
			}
			for a := range v {
				for b := range v {
					cov[a*dim+b] += v[a] * v[b]
				}
			}
		}
		m.real, m.stands = nil, nil
		for _, col := range choleskyColumns(cov, dim) {
			r := make([]complex128, k)
			for i := range r {
				r[i] = complex(col[2*i], col[2*i+1])
			}
			m.real = append(m.real, r)
			m.stands = append(m.stands, complex(col[2*k], col[2*k+1]))
		}
	}
}

// choleskyColumns factors a positive semidefinite matrix; empty columns of a
// singular one are left out.
func choleskyColumns(a []float64, n int) (cols [][]float64) {
	for j := range n {
		p := a[j*n+j]
		if !(p > 1e-300) {
			continue
		}
		root := math.Sqrt(p)
		col := make([]float64, n)
		for i := j; i < n; i++ {
			col[i] = a[i*n+j] / root
		}
		was := p
		for i := j; i < n; i++ {
			for k := j; k < n; k++ {
				a[i*n+k] -= col[i] * col[k]
			}
		}
		for i := j + 1; i < n; i++ { // rounding must not turn into a pivot
			if a[i*n+i] < 1e-14*was {
				a[i*n+i] = math.Max(0, a[i*n+i])
			}
		}
		cols = append(cols, col)
	}
	return cols
}

// err draws the errors of all unknowns once.
func (d *draws) err() {
	for gi := range d.maps {
		dx := d.dx[gi]
		clear(dx)
		now := complex128(0)
		m := &d.maps[gi]
		for j, r := range m.real {
			z := d.rng.NormFloat64()
			for i := range dx {
				dx[i] += scaled(r[i], z)
			}
			now += scaled(m.stands[j], z)
		}
		d.now[gi] = now
	}
	for i := range d.spots {
		sp := &d.spots[i]
		z := d.rng.NormFloat64()
		for gi := range d.dx {
			for k := range d.dx[gi] {
				d.dx[gi][k] += scaled(sp.dx[gi][k], z)
			}
			d.now[gi] += scaled(sp.now[gi], z)
		}
	}
}

// run draws with the linear methods: one set of normal equations a draw.
func (d *draws) run(w []complex128) {
	s := d.s
	planes := len(w)
	base, baseRHS := newMatrix(planes, planes), make([]complex128, planes)
	if s.o.Method == Ridge {
		base, baseRHS = s.ridge(s.rowWeights())
	}
	for k := range d.n {
		d.err()
		copy(d.inv.v, base.v)
		for p := range d.wd {
			d.wd[p] = -baseRHS[p]
		}
		for i, r := range s.rows {
			dx := d.dx[r.group]
			da := dx[len(dx)-planes:]
			row := s.all.a.row(i)
			v0 := s.all.v0[i] + dx[r.state]
			for p := range planes {
				c := scaled(cmplx.Conj(row[p]+da[p]), d.t2[i])
				d.wd[p] -= c * v0
				for q := 0; q <= p; q++ {
					d.inv.v[p*planes+q] += c * (row[q] + da[q])
				}
			}
		}
		if !solveHermitian(d.inv, d.wd) {
			for p := range d.wd {
				d.wd[p] = cmplx.Inf()
			}
		}
		d.record(k, w)
	}
}

// runSlow draws with caps or the min-max rule.
func (d *draws) runSlow(w []complex128) {
	s := d.s
	planes := len(w)
	t := s.rowWeights()
	p := problem{v0: make([]complex128, len(s.rows)), a: newMatrix(len(s.rows), planes), caps: s.all.caps}
	method := s.o.Method
	if method == Ridge {
		method = ToleranceWeighted
	}
	for k := range d.n {
		d.err()
		for i, r := range s.rows {
			dx := d.dx[r.group]
			f := complex(t[i], 0)
			p.v0[i] = f * (s.all.v0[i] + dx[r.state])
			for q := range planes {
				p.a.set(i, q, f*(s.all.a.at(i, q)+dx[len(dx)-planes+q]))
			}
		}
		x, _, err := p.choose(method, 1e-3)
		if err != nil {
			x = make([]complex128, planes)
		}
		copy(d.wd, x)
		d.record(k, w)
	}
}

// record compares draw k with the truth: the weight found errs by its unknowns
// and is itself misplaced.
func (d *draws) record(k int, w []complex128) {
	s := d.s
	e := s.m.c.Errors
	planes := len(w)
	slip := d.slip
	if e.Mass > 0 || e.Angle > 0 {
		for p := range slip {
			slip[p] = complex(e.Mass*d.rng.NormFloat64(), e.Angle*d.rng.NormFloat64())
		}
	}
	for i, r := range s.rows {
		dx := d.dx[r.group]
		da := dx[len(dx)-planes:]
		miss := dx[r.state]
		after := d.now[r.group]
		row := s.all.a.row(i)
		for p := range planes {
			miss += da[p]*d.wd[p] - row[p]*d.wd[p]*slip[p]
			turn := d.wd[p] - w[p] + d.add[p] // the further weight of this draw, to first order
			after += da[p]*turn - row[p]*turn*slip[p]
		}
		d.miss[i][k] = math.Sqrt(abs2(miss))
		d.missF[i][k] = math.Sqrt(abs2(after))
	}
	for p := range planes {
		d.mass[p][k] = math.Sqrt(abs2(d.wd[p]))
		if d.wd[p] != 0 && w[p] != 0 {
			d.angle[p][k] = cmplx.Phase(d.wd[p] * cmplx.Conj(w[p]))
		}
	}
}

// widen gives the factors on radii and on intervals for covariances that are
// themselves estimates, by the fewest degrees of freedom among the readings.
func (d *draws) widen() (radius, interval float64) {
	dof := math.Inf(1)
	for _, src := range d.s.m.sources() {
		if src.dof > 0 {
			dof = math.Min(dof, src.dof)
		}
	}
	if math.IsInf(dof, 1) {
		return 1, 1
	}
	round := rotor.Isotropic(1)
	return radius95(round, dof) / radius95(round, 0), student95(dof) / student95(0)
}

func percentiles(x []float64) Interval { return Interval{quantile(x, 0.025), quantile(x, 0.975)} }

// quantile reorders x and returns its q quantile by selection.
func quantile(x []float64, q float64) float64 {
	k := min(len(x)-1, int(math.Ceil(q*float64(len(x))))-1)
	k = max(k, 0)
	lo, hi := 0, len(x)-1
	for lo < hi {
		mid := x[(lo+hi)/2]
		i, j := lo, hi
		for i <= j {
			for x[i] < mid {
				i++
			}
			for x[j] > mid {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i, j = i+1, j-1
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return x[k]
		}
	}
	return x[k]
}
