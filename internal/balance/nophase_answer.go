package balance

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"counterpoise/internal/rotor"
)

// candidate is one answer of a no-phase job.
type candidate struct {
	Alternative
	asFound   []complex128
	influence [][]complex128
	condition float64
	score     float64
}

// most combinations of solutions that are looked at: two per sensor, 12 sensors.
const mostCombinations = 4096

// combine takes one solution per sensor, in every combination, and orders the
// corrections by how well data and planes agree with them.
func combine(c *Case, o Options, fits [][]amplitudeFit, known bool) []candidate {
	var out []candidate
	pick := make([]int, len(fits))
	for range mostCombinations {
		if cand, ok := assemble(c, o, fits, pick, known); ok {
			out = append(out, cand)
		}
		i := 0
		for ; i < len(pick); i++ {
			if pick[i]++; pick[i] < len(fits[i]) {
				break
			}
			pick[i] = 0
		}
		if i == len(pick) {
			break
		}
	}
	slices.SortStableFunc(out, func(a, b candidate) int { return cmp.Compare(a.score, b.score) })
	return out
}

func assemble(c *Case, o Options, fits [][]amplitudeFit, pick []int, known bool) (candidate, bool) {
	rows, planes := len(fits), len(c.Planes)
	p := problem{v0: make([]complex128, rows), a: newMatrix(rows, planes), caps: caps(c)}
	cand := candidate{}
	sum, n, fit := 0.0, 0, 0.0
	for s, k := range pick {
		f := &fits[s][k]
		p.v0[s] = complex(f.x[0], 0)
		for q := range planes {
			p.a.set(s, q, complex(f.x[1+2*q], f.x[2+2*q]))
		}
		cand.influence = append(cand.influence, slices.Clone(p.a.row(s)))
		for i, a := range f.amp {
			e := cmplx.Abs(f.vector(f.x, i)) - a
			sum, n = sum+e*e, n+1
		}
		fit += f.chi2
	}
	cand.asFound = p.v0
	scaled, _ := scaleColumns(p.a)
	cand.condition = decompose(scaled).condition()
	if !(cand.condition < tooAlike) {
		return cand, false
	}
	method := o.Method
	if method == Ridge {
		method = LeastSquares
	}
	w, _, err := p.choose(method, 1e-8)
	if err != nil {
		return cand, false
	}
	res := p.residuals(w)
	last := c.totals(c.Runs[len(c.Runs)-1])
	for q, plane := range c.Planes {
		if !finite(w[q]) {
			return cand, false
		}
		cand.Corrections = append(cand.Corrections, Correction{Plane: plane.Name, Total: w[q], Further: w[q] - last[q]})
	}
	for i, r := range res {
		r = tidy(r, p.v0[i])
		cand.Predicted = append(cand.Predicted, Prediction{Residual: r, FurtherResidual: r})
	}
	cand.Misfit = math.Sqrt(sum / float64(n))
	cand.score = fit
	if !known {
		cand.score = sum
	}
	cand.score += math.Pow(norm(res), 2) * scoreOfResidual(fits, known)
	if known {
		noPhaseErrors(c, &cand, fits, pick, w)
	}
	return cand, true
}

// scoreOfResidual weighs what the planes leave against the misfit of the data:
// several sensors that look for different weights are an unlikely combination.
func scoreOfResidual(fits [][]amplitudeFit, known bool) float64 {
	if !known {
		return 1
	}
	sd := 0.0
	for _, f := range fits {
		sd = math.Max(sd, slices.Max(f[0].sd))
	}
	return 1 / (25 * sd * sd)
}

// noPhaseErrors propagates the stated errors to first order: the interval of
// each mass and angle, and the radius about each predicted residual.
func noPhaseErrors(c *Case, cand *candidate, fits [][]amplitudeFit, pick []int, w []complex128) {
	planes := len(w)
	scaled := newMatrix(len(pick), planes)
	for s := range pick {
		copy(scaled.row(s), cand.influence[s])
	}
	inv := decompose(scaled).pseudoInverse()
	covW := make([]rotor.Cov, planes)
	for s, k := range pick {
		f := &fits[s][k]
		var ch mat.Cholesky
		if f.cov == nil || !ch.Factorize(f.cov) {
			return
		}
		var l mat.TriDense
		ch.LTo(&l)
		var covM rotor.Cov
		for j := range f.x { // one independent cause after the other
			dm := complex(l.At(0, j), 0)
			for q := range planes {
				dm += complex(l.At(1+2*q, j), l.At(2+2*q, j)) * w[q]
			}
			covM = covM.Add(outer(dm))
			for q := range planes {
				covW[q] = covW[q].Add(outer(-inv.at(q, s) * dm))
			}
		}
		for q := range planes {
			for _, e := range slipsOf(c.Errors) {
				covM = covM.Add(outer(cand.influence[s][q] * w[q] * e))
			}
		}
		r := radius95(covM, 0)
		cand.Predicted[s].Radius95, cand.Predicted[s].FurtherRadius95 = &r, &r
	}
	for q := range planes {
		m, a := polarIntervals(w[q], covW[q], 0)
		cand.Corrections[q].Mass, cand.Corrections[q].Angle = &m, &a
	}
}

func judgeNoPhase(c *Case, a *Answer, fits [][]amplitudeFit, known, partly bool) {
	if partly && !known {
		a.verdict("errors-incomplete", "Some readings state an error and others do not, so no interval is given: state the standard error of every reading.")
	}
	if n := len(a.Alternatives); n > 0 {
		a.verdict("ambiguous", fmt.Sprintf("Amplitudes alone fit %d different corrections; the others stand under alternatives. Make one more run with the trial weight about 90 degrees from the line of the others before choosing.", n+1))
	}
	effect, dof := 0.0, 0
	for s := range fits {
		f := &fits[s][0]
		dof += len(f.amp) - len(f.x)
		for k := range f.amp {
			effect = math.Max(effect, cmplx.Abs(f.vector(f.x, k)-complex(f.x[0], 0)))
		}
	}
	closes := a.Misfit <= 0.02*effect
	if known && dof > 0 {
		chi2 := 0.0
		for s := range fits {
			chi2 += fits[s][0].chi2
		}
		closes = chi2 <= chi2Quantile(0.99, float64(dof))
	}
	if !closes {
		a.verdict("does-not-close", fmt.Sprintf("No single weight effect fits all amplitudes: the rms misfit is %.3g beside a largest effect of %.3g (%.1f %%). Repeat the run that looks odd; until then the answer is a compromise.", a.Misfit, effect, 100*a.Misfit/effect))
	}
	for p, limit := range caps(c) {
		if limit > 0 && cmplx.Abs(a.Corrections[p].Total) > limit*(1-1e-4) {
			a.verdict("cap-reached", fmt.Sprintf("Plane %q may carry %.4g g; the answer keeps to that limit and leaves vibration.", c.Planes[p].Name, limit*1e3))
		}
	}
	judgeForces(c, a)
}
