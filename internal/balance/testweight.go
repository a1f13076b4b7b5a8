package balance

import (
	"fmt"
	"math"
)

// TestWeight is a proof of residual unbalance with a test weight of known
// unbalance that is moved from place to place: at each the machine shows
// |residual + test e^{i angle}| in units of its own.
type TestWeight struct {
	Test     float64   // unbalance of the test weight, any unit
	Angles   []float64 // rad, where it was
	Readings []float64 // what was shown there, any unit
}

// TestWeightResult says what is left in the rotor, in the unit of Test.
type TestWeightResult struct {
	Extremes float64 // from the largest and smallest reading: Test x (max-min)/(max+min)
	Residual float64 // from the first harmonic of all squared readings
	Angle    float64 // rad, of the residual
	Error    float64 // standard error of Residual from the scatter about the fit; 0 where nothing is left to judge by
	Radius95 float64 // 95 % of Residual: Error times Student's t; 0 where nothing is left to judge by
	Scatter  float64 // rms of the readings about the fit over their mean
	Spread   float64 // largest departure of a reading from the mean, relative
	Verdicts []Verdict

	// EitherWay says that the residual may as well be Test^2/Residual, which is
	// more than the test weight: the two cannot be told apart by these readings.
	EitherWay bool
}

// eitherWay is the part of the test weight above which a residual is not told
// apart any more from its mirror image beyond the test weight. The test asks for a
// weight of five to ten times the residual (from memory of ISO 21940-21).
const eitherWay = 0.5

// ProveResidual evaluates a moving test weight. Taking the extremes is the trade's
// worksheet; it misses the true ones, which lie between the places, and so shows
// too little (13 % with six places and no error, more with errors). The first
// harmonic uses all readings. In a unit of the machine's own |r + t| with r < t
// reads as with r and t exchanged; the smaller is taken, and EitherWay says where
// that is no proof.
func ProveResidual(t TestWeight) (TestWeightResult, error) {
	n := len(t.Readings)
	if n != len(t.Angles) || n < 4 {
		return TestWeightResult{}, fmt.Errorf("a moving test weight needs the same number of angles and readings, at least 4 and best 6 or 12: there are %d and %d", len(t.Angles), n)
	}
	if !(t.Test > 0) || math.IsInf(t.Test, 0) {
		return TestWeightResult{}, fmt.Errorf("the test weight has an unbalance of %g: give mass times radius above zero", t.Test)
	}
	lo, hi, mean := math.Inf(1), 0.0, 0.0
	for i, v := range t.Readings {
		if !(v >= 0) || math.IsInf(v, 0) || !number(t.Angles[i]) {
			return TestWeightResult{}, fmt.Errorf("reading %d of the test weight is %g: measure it again", i+1, v)
		}
		lo, hi, mean = math.Min(lo, v), math.Max(hi, v), mean+v/float64(n)
	}
	if mean == 0 {
		return TestWeightResult{}, fmt.Errorf("every reading is zero: the machine does not see the test weight")
	}
	var r TestWeightResult
	r.Extremes = t.Test * (hi - lo) / (hi + lo)
	r.Spread = math.Max(hi/mean-1, 1-lo/mean)
	r.fit(t)
	if r.Residual > 1.05*r.Extremes {
		r.Verdicts = append(r.Verdicts, Verdict{"extremes-low", fmt.Sprintf("Largest and smallest reading alone give %.4g; the fit to all places gives %.4g, %.1f %% more, because the true extremes lie between the places. Use the fit.", r.Extremes, r.Residual, 100*(r.Residual/r.Extremes-1))})
	}
	if r.Residual > eitherWay*t.Test {
		r.EitherWay = true
		r.Verdicts = append(r.Verdicts, Verdict{"either-way", fmt.Sprintf("A residual of %.4g and one of %.4g, above the test weight, would give the same readings, so neither is proved. Repeat with a test weight twice as heavy, or use one of five to ten times the residual that is expected.", r.Residual, t.Test*t.Test/r.Residual)})
	}
	if r.Scatter > 0.05 {
		r.Verdicts = append(r.Verdicts, Verdict{"not-a-sine", fmt.Sprintf("The readings lie %.0f %% (rms) off a smooth curve: repeat with a test weight larger by half the claimed smallest residual, and check how the weight is fixed.", 100*r.Scatter)})
	}
	return r, nil
}

// fit takes the first harmonic of the squared readings, which for readings
// k |r + t e^{ia}| are k^2 (r^2 + t^2 + 2 r t cos(a - angle)) exactly: with q the
// harmonic over the mean, r/t = (1 - sqrt(1-q^2))/q. Evenly spaced places make it
// least squares in the squares.
func (r *TestWeightResult) fit(t TestWeight) {
	n := float64(len(t.Readings))
	mean, c, s := 0.0, 0.0, 0.0
	for i, v := range t.Readings {
		mean += v * v / n
		c += 2 / n * v * v * math.Cos(t.Angles[i])
		s += 2 / n * v * v * math.Sin(t.Angles[i])
	}
	q := math.Min(1, math.Hypot(c, s)/mean)
	ratio := 0.0
	if q > 0 {
		ratio = (1 - math.Sqrt(1-q*q)) / q
	}
	r.Residual, r.Angle = ratio*t.Test, math.Atan2(s, c)
	res := 0.0
	for i, v := range t.Readings {
		e := v*v - mean - c*math.Cos(t.Angles[i]) - s*math.Sin(t.Angles[i])
		res += e * e
	}
	r.Scatter = math.Sqrt(res/n) / (2 * mean)
	if n > 3 && q < 1 { // d(ratio)/dq = (1/sqrt(1-q^2) - 1)/q^2, near 1/2 for small q
		slope := 0.5
		if q > 0 {
			slope = (1/math.Sqrt(1-q*q) - 1) / (q * q)
		}
		r.Error = slope * math.Sqrt(res/(n-3)*2/n) / mean * t.Test
		r.Radius95 = student95(n-3) * r.Error
	}
}

// spreadOfUmar is how far each of twelve readings may lie from their mean when a
// machine proves its smallest achievable residual unbalance with a test mass of ten
// times that: 12 % (Bloch and Geitner, Machinery Component Maintenance and Repair,
// page 298, after ISO 2953 / 21940-21).
const spreadOfUmar = 0.12

// ProveUmar says whether twelve readings 30 degrees apart, with a test mass of ten
// times the claimed U_mar, support the claim; one may lie outside (from memory).
func ProveUmar(readings []float64) (ok bool, outside int, err error) {
	if len(readings) != 12 {
		return false, 0, fmt.Errorf("the test takes twelve readings, one every 30 degrees: there are %d", len(readings))
	}
	mean := 0.0
	for _, v := range readings {
		mean += v / 12
	}
	if !(mean > 0) || math.IsInf(mean, 0) {
		return false, 0, fmt.Errorf("the mean of the twelve readings is %g: measure them again", mean)
	}
	for _, v := range readings {
		if !(math.Abs(v/mean-1) <= spreadOfUmar) {
			outside++
		}
	}
	return outside <= 1, outside, nil
}
