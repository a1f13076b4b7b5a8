package balance

import "counterpoise/internal/rotor"

// Method is how the correction is chosen from the influence coefficients.
type Method uint8

// The methods. All minimise a measure of the residuals r_s = V0_s + sum A_sp w_p.
const (
	LeastSquares      Method = iota // sum |r_s|^2
	ToleranceWeighted               // sum |r_s/tol_s|^2
	Ridge                           // expected sum |r_s/tol_s|^2 over what is not known of V0 and A
	MinMax                          // max |r_s|/tol_s
)

var methodNames = [...]string{"least-squares", "tolerance-weighted", "ridge", "min-max"}

func (m Method) String() string { return methodNames[m] }

// ParseMethod reads the words that String prints; "" is least squares.
func ParseMethod(s string) (Method, bool) {
	if s == "" {
		return LeastSquares, true
	}
	for i, n := range methodNames {
		if n == s {
			return Method(i), true
		}
	}
	return 0, false
}

// Options steer Solve. The zero value is plain least squares on the state of
// the last run.
type Options struct {
	Method     Method
	Compromise bool        // one weight for all states (hot and cold), not only for that of the last run
	Prior      *Prior      // coefficients of earlier jobs
	Print      FingerPrint // of this job, compared with the prior's
	Draws      int         // Monte Carlo draws where first order fails; 0 = 2000
	Seed       uint64      // of the draws; the same case and seed give the same answer
	Gap        float64     // relative gap at which a min-max certificate is good enough; 0 = 1e-8
}

// Row is one line of the correction problem: a sensor at one speed in one state.
// With one speed and one state the rows are the sensors in order.
type Row struct {
	Sensor int
	Speed  float64 // rad/s, mean of the runs of the row; 0 = unknown
	State  string
}

// Interval is a 95 % interval.
type Interval struct{ Lo, Hi float64 }

// Correction is what to put into one plane, as a complex mass in kg at the
// plane's radius.
type Correction struct {
	Plane   string
	Total   complex128 // relative to as found, everything fitted since then taken off
	Further complex128 // to add to the rotor as it stands in the last run
	Mass    *Interval  // kg, of |Total|; nil where no error was stated
	Angle   *Interval  // rad, of arg Total, never wrapped: Lo <= arg <= Hi; nil likewise
}

// Prediction is what a row will show after the correction.
type Prediction struct {
	Residual complex128 // peak phasor after Total
	Radius95 *float64   // the truth lies within this of Residual; nil where no error was stated
	// After the Further weight on the rotor as it stands. It is surer than the
	// total, because what stands there has already been measured.
	FurtherResidual complex128
	FurtherRadius95 *float64
}

// Direction is a combination of planes and how well the sensors see it.
type Direction struct {
	Mix   []complex128 // unit vector over the planes
	Gain  float64      // length of the response per kg in this direction
	Error *float64     // kg, 95 % radius of the correction along it; nil where no error was stated
}

// Alternative is another answer that fits as well.
type Alternative struct {
	Corrections []Correction
	Predicted   []Prediction
	Misfit      float64
}

// Answer is what Solve returns.
type Answer struct {
	Rows         []Row
	AsFound      []complex128   // [row], estimated peak phasor
	Influence    [][]complex128 // [row][plane], peak phasor per kg at the plane's radius
	InfluenceCov [][]rotor.Cov  // [row][plane]; nil where no error was stated
	Corrections  []Correction   // [plane]
	Predicted    []Prediction   // [row]
	Misfit       float64        // rms of measured minus fitted vectors, peak
	Condition    float64        // of the influence matrix with columns of equal length
	NoiseGain    float64        // residual error per reading error, worst row
	MinBound     float64        // MinMax only: no weight makes max |r|/tol smaller than this
	MonteCarlo   bool           // intervals come from draws because first order does not hold
	Directions   []Direction    // from the best seen to the worst
	Alternatives []Alternative
	Verdicts     []Verdict
}

// verdict appends one judgement.
func (a *Answer) verdict(code, text string) {
	a.Verdicts = append(a.Verdicts, Verdict{Code: code, Text: text})
}

// Has reports whether a verdict of that code stands.
func (a *Answer) Has(code string) bool {
	for _, v := range a.Verdicts {
		if v.Code == code {
			return true
		}
	}
	return false
}

// Nulling gives the least squares weights (kg per plane) that would null the
// vectors v (one per row), by the coefficients of the answer. Of an unbalance
// that was added it is the opposite.
func (a *Answer) Nulling(v []complex128) []complex128 {
	if len(v) != len(a.Influence) || len(v) == 0 {
		return nil
	}
	p := problem{v0: v, a: newMatrix(len(v), len(a.Influence[0]))}
	for i, row := range a.Influence {
		copy(p.a.row(i), row)
	}
	return p.leastSquares()
}
