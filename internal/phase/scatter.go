package phase

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/stat/distuv"

	"counterpoise/internal/rotor"
)

// The covariance of a reading comes from the scatter of its turns, by the
// equal-weighted cosine estimator of the long-run variance: the residuals are
// projected on the B slowest cosines over the reading, and the mean square of
// the projections is the variance that an average over the whole reading sees.
// Turns that hang together - noise coloured by a resonance, a wandering speed -
// then count for what they are worth, where their plain scatter would promise
// far too much. The price is few degrees of freedom, B, and limits from F and t.
// (Lazarus, Lewis, Stock and Watson, HAR Inference, J. Business & Economic
// Statistics 36:4, 2018; from memory.)

//
// How many cosines count depends on what was seen: a reading within a longer view
// takes in the band of its own weights, and never fewer than six (four in a very
// short view). What the view leaves open below the slowest cosine slow judges.

// terms is the number of cosines over seen turns for a reading whose variance is
// gain times that of one turn.
func terms(seen int, gain float64) int {
	least := 6
	switch {
	case seen < 6:
		return max(1, seen-2)
	case seen < 32:
		least = 4
	}
	return min(seen-2, max(least, int(math.Round(gain*float64(seen)))))
}

// doubt gives a component its covariance, its degrees of freedom and the
// probability that they are too small.
func (f *fit) doubt(a *Average, c, k int, o *Component) {
	f.deviations(a, c, k, o.Value)
	taken := f.normalise(a, c, o)
	b := terms(f.seen, f.gain)
	f.slow.prepare(a.n, f.seen, b, f.method == Taper)
	o.Cov = f.powers(b, f.slow.looked())
	widen := 1.0
	if f.seen >= slowFrom {
		widen, o.slow = f.slow.judge(f.slowest)
	}
	o.Cov = o.Cov.Scale(f.gain * f.inflated[f.tone(k)] * widen)
	// What a neighbour or the speed explains within the cosines is taken out of
	// them, too.
	if taken = min(taken+len(f.tones)-f.orders, b-1); taken > 0 {
		o.Cov = o.Cov.Scale(float64(b) / float64(b-taken))
		b -= taken
	}
	// Each cosine has two degrees of freedom, and that is what the error has where
	// many turns were seen before. Where none were, the reading's own error lies in
	// the cosines, too, and counts half; between the two ends a straight line, a
	// compromise that the coverage campaign confirms.
	o.DoF = float64(b) * math.Min(2, (1+float64(f.seen)/float64(a.n))/2)
	if o.Normal != nil {
		d := o.Normal.Doubt * cmplx.Abs(o.Value)
		o.Cov.RR += d * d
		o.Cov.II += d * d
	}
}

// deviations fills f.resid with what every turn seen differs from the fit.
func (f *fit) deviations(a *Average, c, k int, v complex128) {
	if f.seen == a.n {
		f.residuals(a, c, k)
		return
	}
	f.resid = resize(f.resid, f.seen)
	for i := range f.resid {
		f.resid[i] = a.before.newest(f.seen - 1 - i).values[c*f.sh.asked+k] - v
	}
}

// powers projects f.resid on the slowest cosines: the mean square of the first
// few as a covariance, and the power of every one looked at in f.slowest.
func (f *fit) powers(few, looked int) (cov rotor.Cov) {
	looked = max(1, min(looked, f.seen-1))
	f.slowest = resize(f.slowest, looked)
	for j := range f.slowest {
		p := f.cosines(j+1, j+1)
		f.slowest[j] = p.RR + p.II
		if j < few {
			cov = cov.Add(p)
		}
	}
	return cov.Scale(1 / float64(min(few, looked)))
}

// cosines is the mean square of the projections of f.resid on the cosines from
// to to over the reading.
func (f *fit) cosines(from, to int) (cov rotor.Cov) {
	n := float64(len(f.resid))
	for j := from; j <= to; j++ {
		// cos(pi j (i+1/2)/n) by its recurrence
		step := 2 * math.Cos(math.Pi*float64(j)/n)
		now := math.Cos(math.Pi * float64(j) / n / 2)
		before := now
		var z complex128
		for _, r := range f.resid {
			z += complex(now*real(r), now*imag(r))
			now, before = step*now-before, now
		}
		cov = cov.Add(rotor.Cov{RR: real(z) * real(z), RI: real(z) * imag(z), II: imag(z) * imag(z)})
	}
	return cov.Scale(2 / n / float64(to-from+1))
}

// noiseGain is the variance of the fit over that of one turn value, for noise
// that is white over the turns.
func (f *fit) noiseGain(a *Average) float64 {
	var w1, w2 float64
	for i := range a.n {
		t := a.at(i)
		for s := range t.sectors {
			d := real(t.geo[s*(f.sh.kmax+1)])
			w := f.weight[i*maxSectors+s]
			w1 += w * d
			w2 += w * w * d
		}
	}
	all := 0.0
	for i := range a.n {
		all += a.at(i).samples
	}
	return w2 / (w1 * w1) * all / float64(a.n)
}

// residuals fills f.resid with what the fit leaves of order index k in every
// turn, as phasors, delays corrected.
func (f *fit) residuals(a *Average, c, k int) {
	f.resid = resize(f.resid, a.n)
	sol := f.sol[c*f.params:][:f.params]
	order, stride := f.sh.orders[k], f.sh.kmax+1
	for i := range a.n {
		t := a.at(i)
		var z complex128
		for s := range t.sectors {
			z += t.val[(c*len(f.sh.orders)+k)*maxSectors+s] // before delays
		}
		if f.delayed {
			off := f.sh.turned(c, t.Speed) - f.psi[c]
			sin, cos := math.Sincos(off * float64(order))
			z *= complex(cos, sin)
		}
		for s := range t.sectors {
			geo := t.geo[s*stride:][:stride]
			p := (t.Tick + t.at[s] - f.t0) / f.half
			l := t.lin[s*stride+order] / complex(f.half, 0)
			z -= complex(sol[0]+sol[1]*p, 0)*conj(geo[order]) + complex(sol[1], 0)*conj(l)
			for u := range f.tones {
				v := complex(sol[2+2*u], sol[3+2*u]) * f.phase(u, a.n, i, s)
				n := f.tones[u].order
				var diff complex128
				if n >= order {
					diff = geo[n-order]
				} else {
					diff = conj(geo[order-n])
				}
				z -= (v*diff + conj(v*geo[n+order])) / 2
			}
		}
		f.resid[i] = z * complex(2/t.samples, 0)
	}
	sin, cos := math.Sincos(f.psi[c] * float64(order))
	for i := range f.resid {
		f.resid[i] *= complex(cos, sin)
	}
}

// EllipseLimit is the squared radius, in standard deviations, of the region
// that holds a phasor with probability p when its covariance was estimated with
// dof degrees of freedom: 2B/(B-1) F(2, B-1). Infinite for dof <= 1; for dof 0
// (exactly known) the limit of the normal distribution.
func EllipseLimit(p, dof float64) float64 {
	switch {
	case dof == 0 || math.IsInf(dof, 1):
		return -2 * math.Log(1-p)
	case dof <= 1:
		return math.Inf(1)
	}
	// The quantile of F(2, m) is m/2 ((1-p)^(-2/m) - 1), in closed form.
	m := dof - 1
	return 2 * dof / m * (m / 2 * (math.Pow(1-p, -2/m) - 1))
}

// TLimit is the two-sided limit of Student's t: a single axis lies within
// TLimit standard deviations with probability p.
func TLimit(p, dof float64) float64 {
	if dof == 0 || math.IsInf(dof, 1) {
		return distuv.UnitNormal.Quantile((1 + p) / 2)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile((1 + p) / 2)
}
