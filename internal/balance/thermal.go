package balance

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/stat/distuv"
)

// WarmUp is how a vector settles: V(t) = Final + Drift e^{-t/Time}.
type WarmUp struct {
	Final  complex128
	Drift  complex128 // at t = 0
	Time   float64    // s
	Left   float64    // |what is still to come| at the last reading
	Steady bool       // no drift at all at the 1 % level
}

// FitWarmUp fits readings at times t (s, ascending). The time constant is found by
// search, the rest is linear.
func FitWarmUp(t []float64, v []complex128) (WarmUp, error) {
	n := len(t)
	if n != len(v) || n < 5 {
		return WarmUp{}, errors.New("judging a warm-up takes at least 5 readings with their times: keep measuring")
	}
	span := t[n-1] - t[0]
	if !(span > 0) {
		return WarmUp{}, errors.New("the readings of the warm-up have no times in order: give each its time")
	}
	rest := func(tau float64) (float64, WarmUp) {
		var se, see float64
		var sv, sev complex128
		for i := range t {
			e := math.Exp(-(t[i] - t[0]) / tau)
			se, see = se+e, see+e*e
			sv, sev = sv+v[i], sev+complex(e, 0)*v[i]
		}
		m := float64(n)
		det := m*see - se*se
		w := WarmUp{Time: tau}
		w.Drift = (complex(m, 0)*sev - complex(se, 0)*sv) / complex(det, 0)
		w.Final = (sv - complex(se, 0)*w.Drift) / complex(m, 0)
		sum := 0.0
		for i := range t {
			sum += abs2(v[i] - w.Final - w.Drift*complex(math.Exp(-(t[i]-t[0])/tau), 0))
		}
		return sum, w
	}
	best, out := math.Inf(1), WarmUp{}
	for k := range 121 { // time constants from a twentieth of the span to five times it
		if s, w := rest(span * math.Exp(math.Log(0.05)+float64(k)/120*math.Log(100))); s < best {
			best, out = s, w
		}
	}
	out.Left = cmplx.Abs(out.Drift) * math.Exp(-span/out.Time)
	mean, total := complex128(0), 0.0
	for _, x := range v {
		mean += x / complex(float64(n), 0)
	}
	for _, x := range v {
		total += abs2(x - mean)
	}
	// Drift (2 numbers) and time constant (1) against the scatter that is left.
	d2 := float64(2*n - 5)
	f := (total - best) / 3 / (best/d2 + 1e-300)
	out.Steady = total == 0 || f < distuv.F{D1: 3, D2: d2}.Quantile(0.99)
	return out, nil
}

// Judge says whether to go on: drift still to come must be below a third of the
// tolerance.
func (w WarmUp) Judge(tolerance float64) Verdict {
	switch {
	case w.Steady:
		return Verdict{"warm", "The vector holds still: no drift can be seen in the readings."}
	case w.Left <= tolerance/3:
		return Verdict{"warm", fmt.Sprintf("The vector still drifts, but only %.3g is to come, below a third of the tolerance.", w.Left)}
	}
	wait := w.Time * math.Log(3*w.Left/tolerance)
	return Verdict{"still-warming", fmt.Sprintf("The vector still drifts: %.3g is to come, more than a third of the tolerance of %.3g. Let the machine run about %.0f minutes more before the reading counts.", w.Left, tolerance, math.Ceil(wait/60))}
}

// Drift judges a record of n equally spaced block vectors by linear regression:
// the change over the record, and whether it is more than chance at the 1 % level
// (F test with 2 and 2n-4 degrees of freedom).
func Drift(v []complex128) (change complex128, real bool) {
	n := len(v)
	if n < 4 {
		return 0, false
	}
	mean := complex128(0)
	for _, x := range v {
		mean += x / complex(float64(n), 0)
	}
	var st complex128
	stt := 0.0
	for i, x := range v {
		t := (float64(i)+0.5)/float64(n) - 0.5
		st += complex(t, 0) * (x - mean)
		stt += t * t
	}
	change = st / complex(stt, 0)
	rest := 0.0
	for i, x := range v {
		t := (float64(i)+0.5)/float64(n) - 0.5
		rest += abs2(x - mean - change*complex(t, 0))
	}
	d2 := float64(2*n - 4)
	f := abs2(change) * stt / 2 / (rest/d2 + 1e-300)
	return change, f > distuv.F{D1: 2, D2: d2}.Quantile(0.99)
}
