package job

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/balance"
)

// Level is how one sensor stands against its tolerance in one run, in the
// sensor's unit (m/s peak unless raw).
type Level struct {
	Sensor    string
	Amplitude float64 // of the once-per-revolution vector, peak
	Radius95  float64 // the true vector lies within this of the measured one at 95 %
	Tolerance float64 // 0 = none known
	Missing   bool    // the sensor gave nothing usable
	// Inside is true where even the far edge of the uncertainty is within the
	// tolerance: who has just balanced accepts only what is surely inside
	// (ISO 21940-14, rule for the balancer; from memory).
	Inside bool
}

// Levels judges a run against tolerances, one per sensor of the setup.
func (s State) Levels(r Run, tolerances []float64) []Level {
	run, repeat := s.Setup.run(r), max(s.Setup.Errors.Repeat, s.Repeatability())
	ls := make([]Level, len(run.Vectors))
	for i, v := range run.Vectors {
		ls[i] = Level{Sensor: s.Setup.Sensors[i].Name, Tolerance: tolerances[i], Missing: v.Missing}
		if v.Missing {
			continue
		}
		ls[i].Amplitude = cmplx.Abs(v.V)
		ls[i].Radius95 = radius95(v, repeat)
		ls[i].Inside = ls[i].Tolerance > 0 && ls[i].Amplitude+ls[i].Radius95 <= ls[i].Tolerance
	}
	return ls
}

// inside tells whether every sensor that has a tolerance is inside it; known is
// false where no sensor has one, so that nothing can be proved.
func inside(ls []Level) (ok, known bool) {
	ok = true
	for _, l := range ls {
		if l.Tolerance > 0 {
			known = true
			ok = ok && l.Inside
		}
	}
	return ok && known, known
}

// radius95 is the 95 % radius of a measured vector, with the scatter from run
// to run added. With estimated variance (DoF > 1) it is Hotelling's: for two
// axes the F quantile has the closed form below (any textbook of multivariate
// statistics); with known variance it is sqrt(-2 ln 0.05) = 2.448 sigma.
func radius95(v balance.Vector, repeat float64) float64 {
	a := cmplx.Abs(v.V)
	major, _, _ := v.Cov.Principal()
	k := math.Sqrt(-2 * math.Log(0.05))
	if v.DoF > 1 {
		k = math.Sqrt(v.DoF * (math.Pow(0.05, -2/(v.DoF-1)) - 1))
	}
	return math.Hypot(k*major, math.Sqrt(-2*math.Log(0.05))*repeat*a)
}

// Repeatability is the relative standard deviation per axis of a vector from
// run-up to run-up, beyond what the readings state of themselves. It is
// estimated from the as-found readings on both sides of a stop, over all
// sensors; 0 where nothing can be said.
func (s State) Repeatability() float64 {
	var first, again *Run
	for i := range s.Runs {
		r := &s.Runs[i]
		switch {
		case weighty(r.Fit.Weights):
		case first == nil:
			first = r
		case r.Shape == first.Shape && r.Begun != first.Begun && again == nil:
			again = r
		}
	}
	if again == nil {
		return 0
	}
	a, b := s.Setup.run(*first), s.Setup.run(*again)
	var excess, size float64
	for i := range a.Vectors {
		v, w := a.Vectors[i], b.Vectors[i]
		if v.Missing || w.Missing {
			continue
		}
		d := cmplx.Abs(v.V - w.V)
		excess += d*d/4 - (v.Cov.PerAxis()+w.Cov.PerAxis())/2 // |d|^2 expects four variances per axis
		size += (real(v.V*cmplx.Conj(v.V)) + real(w.V*cmplx.Conj(w.V))) / 2
	}
	if !(excess > 0) || !(size > 0) {
		return 0
	}
	return math.Sqrt(excess / size)
}
