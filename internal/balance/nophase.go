package balance

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// amplitudesOnly says whether the case is a no-phase job; a mixture is refused.
func amplitudesOnly(c *Case) (bool, error) {
	with, without := 0, 0
	for _, r := range c.Runs {
		for _, v := range r.Vectors {
			switch {
			case v.Missing:
			case v.NoPhase:
				without++
			default:
				with++
			}
		}
	}
	if with > 0 && without > 0 {
		return false, fmt.Errorf("%d readings have a phase and %d have none: give the phase everywhere, or nowhere for a job with amplitudes alone", with, without)
	}
	return without > 0, nil
}

// amplitudeFit is one sensor of a no-phase job. Its own phase is free, so the
// as-found vector is taken as real: the unknowns are that amplitude and one
// complex coefficient per plane, and every run says |v0 + sum a_p w_p| = A.
type amplitudeFit struct {
	sensor int
	w      [][]complex128 // [reading][plane]
	amp    []float64
	sd     []float64 // standard deviations, or all 1
	x      []float64 // v0, Re a1, Im a1, ...
	chi2   float64
	cov    *mat.SymDense // of x; nil where no error was stated
}

// solveNoPhase finds every set of coefficients that fits, sensor by sensor, and
// every correction that follows.
func solveNoPhase(c *Case, o Options) (Answer, error) {
	var a Answer
	if len(c.Planes) > 2 {
		return a, fmt.Errorf("amplitudes alone can serve one or two planes and this case has %d: measure phase, or balance plane by plane", len(c.Planes))
	}
	var totals [][]complex128
	for _, r := range c.Runs {
		totals = append(totals, c.totals(r))
	}
	if err := checkTrials(c, totals); err != nil {
		return a, err
	}
	known, partly := errorsStated(c)
	var fits [][]amplitudeFit // [sensor][solution]
	for s := range c.Sensors {
		f := newAmplitudeFit(c, s, totals, known)
		if len(f.amp) < len(f.x) {
			return a, fmt.Errorf("amplitudes alone need %d runs for %d plane(s) and sensor %s has %d: make a run with the trial weight at another angle", len(f.x), len(c.Planes), called(c.Sensors[s].Name, s), len(f.amp))
		}
		sol := f.solutions(known)
		if len(sol) == 0 {
			return a, fmt.Errorf("the amplitudes of sensor %s fit no weight effect at all: check that the readings belong to the runs", called(c.Sensors[s].Name, s))
		}
		fits = append(fits, sol)
		a.Rows = append(a.Rows, Row{Sensor: s, Speed: c.Machine.Speed})
	}
	if len(c.Sensors) < len(c.Planes) {
		return a, fmt.Errorf("%d sensors cannot tell %d planes apart: use at least as many sensors as planes", len(c.Sensors), len(c.Planes))
	}
	answers := combine(c, o, fits, known)
	if len(answers) == 0 {
		return a, fmt.Errorf("the weights did nothing that the amplitudes show, so there is no effect to work with: take a larger trial")
	}
	best := answers[0]
	a.AsFound, a.Influence = best.asFound, best.influence
	a.Corrections, a.Predicted, a.Misfit = best.Corrections, best.Predicted, best.Misfit
	a.NoiseGain, a.Condition = 0, best.condition
	for _, alt := range answers[1:] {
		a.Alternatives = append(a.Alternatives, alt.Alternative)
	}
	judgeNoPhase(c, &a, fits, known, partly)
	return a, nil
}

func newAmplitudeFit(c *Case, s int, totals [][]complex128, known bool) amplitudeFit {
	f := amplitudeFit{sensor: s, x: make([]float64, 1+2*len(c.Planes))}
	for r, run := range c.Runs {
		v := run.Vectors[s]
		if v.Missing {
			continue
		}
		amp, sd := real(v.V), 1.0
		if known {
			rep := c.Errors.Repeat * amp
			sd = math.Sqrt(v.Cov.PerAxis() + rep*rep)
			sd = math.Max(sd, 1e-9*(amp+1e-300))
		}
		f.w, f.amp, f.sd = append(f.w, totals[r]), append(f.amp, amp), append(f.sd, sd)
	}
	return f
}

// vector is the model's vector of reading k.
func (f *amplitudeFit) vector(x []float64, k int) complex128 {
	v := complex(x[0], 0)
	for p, w := range f.w[k] {
		v += complex(x[1+2*p], x[2+2*p]) * w
	}
	return v
}

func (f *amplitudeFit) misfit(x []float64) (chi2 float64) {
	for k, a := range f.amp {
		e := (cmplx.Abs(f.vector(x, k)) - a) / f.sd[k]
		chi2 += e * e
	}
	return chi2
}

// normal builds J^T J and J^T e of the weighted misfits at x.
func (f *amplitudeFit) normal(x []float64, jtj *mat.SymDense, jte []float64) {
	n := len(x)
	jtj.Zero()
	clear(jte)
	row := make([]float64, n)
	for k, a := range f.amp {
		v := f.vector(x, k)
		r := cmplx.Abs(v)
		u := complex(1, 0)
		if r > 0 {
			u = cmplx.Conj(v) / complex(r, 0)
		}
		row[0] = real(u) / f.sd[k]
		for p, w := range f.w[k] {
			g := u * w
			row[1+2*p], row[2+2*p] = real(g)/f.sd[k], -imag(g)/f.sd[k]
		}
		e := (r - a) / f.sd[k]
		for i := range n {
			jte[i] += row[i] * e
			for j := i; j < n; j++ {
				jtj.SetSym(i, j, jtj.At(i, j)+row[i]*row[j])
			}
		}
	}
}

// descend is Gauss-Newton with Levenberg's damping from x, in place, for at most
// so many steps.
func (f *amplitudeFit) descend(x []float64, steps int) float64 {
	n := len(x)
	jtj, jte := mat.NewSymDense(n, nil), make([]float64, n)
	next := make([]float64, n)
	damped := mat.NewSymDense(n, nil)
	step := mat.NewVecDense(n, nil)
	chi2 := f.misfit(x)
	damp := 1e-3
	for range steps {
		f.normal(x, jtj, jte)
		damped.CopySym(jtj)
		for i := range n {
			damped.SetSym(i, i, jtj.At(i, i)*(1+damp)+1e-300)
		}
		var ch mat.Cholesky
		if !ch.Factorize(damped) || ch.SolveVecTo(step, mat.NewVecDense(n, jte)) != nil {
			if damp *= 10; damp > 1e12 {
				break
			}
			continue
		}
		for i := range next {
			next[i] = x[i] - step.AtVec(i)
		}
		now := f.misfit(next)
		if !(now < chi2) {
			if damp *= 10; damp > 1e12 {
				break
			}
			continue
		}
		small := mat.Norm(step, 2) <= 1e-13*norm2(x)
		copy(x, next)
		chi2, damp = now, math.Max(damp/10, 1e-15)
		if small {
			break
		}
	}
	return chi2
}

func norm2(x []float64) (s float64) {
	for _, v := range x {
		s = math.Hypot(s, v)
	}
	return s
}

// solutions descends from many starts and keeps every minimum that the data do
// not exclude: within 9 of the best chi square. Without stated errors the scale
// is what the misfit itself shows, and at least 1 % of the largest amplitude.
func (f *amplitudeFit) solutions(known bool) []amplitudeFit {
	var found []amplitudeFit
	v0 := f.amp[0]
	for k, w := range f.w { // the as-found amplitude, if it was measured
		if norm(w) == 0 {
			v0 = f.amp[k]
			break
		}
	}
	big := slices.Max(f.amp)
	reach := make([]float64, len(f.w[0]))
	for _, w := range f.w {
		for p := range w {
			reach[p] = math.Max(reach[p], cmplx.Abs(w[p]))
		}
	}
	var start func(x []float64, p int)
	start = func(x []float64, p int) {
		if p < len(reach) {
			for _, gain := range []float64{0.15, 0.5, 1, 2} {
				for k := range 12 {
					a := cmplx.Rect(gain*big/reach[p], (float64(k)+0.3)*math.Pi/6)
					x[1+2*p], x[2+2*p] = real(a), imag(a)
					start(x, p+1)
				}
			}
			return
		}
		g := *f
		g.x = slices.Clone(x)
		g.chi2 = f.descend(g.x, 12) // enough to tell the minima apart
		found = append(found, g)
	}
	first := make([]float64, len(f.x))
	first[0] = math.Max(v0, 0.05*big)
	start(first, 0)
	var minima []amplitudeFit
next:
	for _, g := range found {
		for _, h := range minima {
			if f.alike(g.x, h.x, big) {
				continue next
			}
		}
		g.chi2 = f.descend(g.x, 200)
		if g.x[0] < 0 { // the same solution turned by 180 degrees
			for i := range g.x {
				g.x[i] = -g.x[i]
			}
		}
		minima = append(minima, g)
	}
	slices.SortFunc(minima, func(a, b amplitudeFit) int { return cmp.Compare(a.chi2, b.chi2) })
	return f.distinct(minima, known, big)
}

func (f *amplitudeFit) distinct(found []amplitudeFit, known bool, big float64) (out []amplitudeFit) {
	s2 := 1.0
	if !known {
		dof := math.Max(1, float64(len(f.amp)-len(f.x)))
		s2 = math.Max(found[0].chi2/dof, math.Pow(0.01*big, 2))
	}
next:
	for _, g := range found {
		if !(g.chi2 <= found[0].chi2+9*s2) {
			break
		}
		for _, h := range out {
			if f.alike(g.x, h.x, big) {
				continue next
			}
		}
		if known {
			g.setCovariance()
		}
		out = append(out, g)
	}
	return out
}

// alike compares what two solutions say of the runs as vectors.
func (f *amplitudeFit) alike(x, y []float64, big float64) bool {
	for k := range f.amp {
		if cmplx.Abs(f.vector(x, k)-f.vector(y, k)) > 0.02*big {
			return false
		}
	}
	return true
}

func (f *amplitudeFit) setCovariance() {
	n := len(f.x)
	jtj := mat.NewSymDense(n, nil)
	f.normal(f.x, jtj, make([]float64, n))
	var ch mat.Cholesky
	f.cov = mat.NewSymDense(n, nil)
	if !ch.Factorize(jtj) || ch.InverseTo(f.cov) != nil {
		f.cov = nil
	}
}
