package blades

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"

	"counterpoise/internal/rotor"
)

// Evidence is what is known of one rotor when the question is whether weights
// or straightening will cure it. Unknown pieces are left at zero.
type Evidence struct {
	Survey *Result // nil: no survey

	// What a two-plane solution says is on the rotor as found: couple about the
	// plane of the blades in kg m^2 and static unbalance in kg m, both with the
	// sign of the heavy side.
	CoupleKnown bool
	Couple      complex128
	CoupleCov   rotor.Cov
	Static      complex128
	StaticCov   rotor.Cov
	CoupleLimit float64 // kg m^2, couple that still leaves every sensor inside its tolerance; 0 = unknown

	OnePlane    float64 // best reachable worst-sensor residual with one plane over its tolerance; 0 = unknown
	OnePlaneP   float64 // probability that one plane is enough
	TwoPlane    float64 // the same residual with two planes; 0 = unknown
	Sensors     int
	Axial       float64 // 1x amplitude, axial, same unit as Radial; 0 = unknown
	Radial      float64 // largest radial 1x amplitude
	Comparisons []Comparison
	Unit        string  // in which comparisons are told; empty = as they are
	PerUnit     float64 // of the vectors; 0 = 1
}

// Comparison is one sensor before and after blades were moved.
type Comparison struct {
	Sensor              string // its name; empty = its number is told
	Before, After       complex128
	BeforeCov, AfterCov rotor.Cov
	Predicted           Change // of the moves; zero value: nothing predicted
}

// Piece is one piece of evidence and what it speaks for.
type Piece struct {
	Code   string
	Speaks string // "geometry", "mass" or "neither"
	Text   string
}

// Judgement says which cure comes first.
type Judgement struct {
	Code   string  // one of the calls
	P      float64 // probability that geometry is the larger part of the couple; NaN = cannot be said
	Text   string
	Pieces []Piece
	Cannot []string // what these observations cannot decide
}

// The calls.
const (
	CallStraighten = "straighten"
	CallWeights    = "weights"
	CallUndecided  = "undecided"
)

// sure is the probability asked of a call either way.
const sure = 0.9

// MassOrGeometry weighs the evidence. The share of the measured couple that the
// survey explains decides: geometry is the larger part exactly when
//
//	Re(G conj M) > |M|^2/2,   that is |G| > |M - G|
//
// with G the couple of the survey and M the measured one. The other pieces are
// shown, and decide only where they exclude one side.
func MassOrGeometry(e Evidence) Judgement {
	j := Judgement{P: math.NaN()}
	j.Pieces = append(j.Pieces, e.share(&j)...)
	j.Pieces = append(j.Pieces, e.planes()...)
	j.Pieces = append(j.Pieces, e.ratio()...)
	j.Pieces = append(j.Pieces, e.axial()...)
	j.Pieces = append(j.Pieces, e.compared()...)
	j.Cannot = e.cannot()
	e.decide(&j)
	return j
}

// share is the survey against the measured couple.
func (e Evidence) share(j *Judgement) []Piece {
	if !e.CoupleKnown || e.Survey == nil || !e.Survey.Effect.CoupleKnown || e.Survey.Track == nil {
		return nil
	}
	g, cg := e.Survey.Effect.Couple(), e.Survey.Effect.CoupleCov()
	m, cm := e.Couple, e.CoupleCov
	m2 := real(m)*real(m) + imag(m)*imag(m)
	if m2 == 0 {
		return nil
	}
	j.P = larger(g, cg, m, cm)
	s := dot(g, m) / m2
	sdShare := math.Sqrt(cg.Along(cmplx.Phase(m))/m2 + math.Pow(cmplx.Abs(m-2*g), 2)*cm.Along(cmplx.Phase(m-2*g))/(m2*m2))
	speaks := "neither"
	switch {
	case j.P > sure:
		speaks = "geometry"
	case j.P < 1-sure:
		speaks = "mass"
	}
	if cmplx.Abs(m) <= Radius95(cm) {
		return []Piece{{"couple-share", "neither", fmt.Sprintf(
			"The couple that two planes measured (%.3g g mm^2) is no more than its own uncertainty: there is nothing to share out.", cmplx.Abs(m)*1e9)}}
	}
	return []Piece{{"couple-share", speaks, fmt.Sprintf(
		"The survey explains %.0f +-%.0f %% of the couple that two planes measured (%.3g g mm^2); above 50 %% the blades are the larger part.",
		100*s, 196*sdShare, cmplx.Abs(m)*1e9)}}
}

// larger is the probability that |G| > |M - G| when G and M are known with
// normal errors: by draws from a fixed seed, because where M - G is near zero
// its size is far from normal.
func larger(g complex128, cg rotor.Cov, m complex128, cm rotor.Cov) float64 {
	const draws = 4000
	r := rand.New(rand.NewPCG(95, 5))
	hits := 0
	for range draws {
		x := g + draw(r, cg)
		if y := m + draw(r, cm); cmplx.Abs(x) > cmplx.Abs(y-x) {
			hits++
		}
	}
	return float64(hits) / draws
}

// draw is one normal error of covariance c.
func draw(r *rand.Rand, c rotor.Cov) complex128 {
	major, minor, angle := c.Principal()
	return complex(major*r.NormFloat64(), minor*r.NormFloat64()) * cmplx.Rect(1, angle)
}

func (e Evidence) planes() []Piece {
	if e.OnePlane <= 0 || e.Sensors < 2 {
		return nil
	}
	if e.OnePlane > 1 && e.OnePlaneP < 0.1 {
		t := fmt.Sprintf("One plane leaves at least %.1f times the tolerance", e.OnePlane)
		if e.TwoPlane > 0 {
			t += fmt.Sprintf(", two planes %.1f times", e.TwoPlane)
		}
		return []Piece{{"one-plane", "neither", t + ": there is a couple. It may be mass or bent blades."}}
	}
	if e.OnePlaneP > 0.9 {
		return []Piece{{"one-plane", "mass", "One plane is enough to bring every sensor inside its tolerance: there is no couple that matters."}}
	}
	return []Piece{{"one-plane", "neither", "Whether one plane is enough is not clear yet."}}
}

func (e Evidence) ratio() []Piece {
	if !e.CoupleKnown || e.Survey == nil || e.Survey.Survey.TipRadius <= 0 {
		return nil
	}
	u := cmplx.Abs(e.Static)
	if u == 0 || e.Couple == 0 {
		return nil
	}
	arm, r := cmplx.Abs(e.Couple)/u, e.Survey.Survey.TipRadius
	t := fmt.Sprintf("The couple equals the static unbalance on an arm of %.0f mm", arm/mm)
	if arm <= r {
		return []Piece{{"static-couple", "neither", t + ": one lump of mass off the plane of the blades would do it as well as bent blades."}}
	}
	return []Piece{{"static-couple", "geometry", t + fmt.Sprintf(", beyond the tip radius of %.0f mm: no single lump of mass can do that; bent blades can, or two lumps opposite each other.", r/mm)}}
}

func (e Evidence) axial() []Piece {
	if e.Axial <= 0 || e.Radial <= 0 {
		return nil
	}
	q := e.Axial / e.Radial
	t := fmt.Sprintf("Axial 1x is %.0f %% of radial 1x", 100*q)
	if q > 0.5 {
		return []Piece{{"axial-radial", "neither", t + ": there is a couple, or an overhung rotor; it does not tell track from pitch or from mass in two planes."}}
	}
	return []Piece{{"axial-radial", "neither", t + ": the static part leads."}}
}

// compared looks at a before and an after reading as a difference of vectors.
func (e Evidence) compared() (out []Piece) {
	per, unit := 1.0, ""
	if e.PerUnit > 0 {
		per = e.PerUnit
	}
	if e.Unit != "" {
		unit = " " + e.Unit
	}
	for i, c := range e.Comparisons {
		d := c.After - c.Before
		r95 := Radius95(c.BeforeCov.Add(c.AfterCov))
		p := Piece{Code: "before-after", Speaks: "neither"}
		name := c.Sensor
		if name == "" {
			name = fmt.Sprintf("Sensor %d", i+1)
		}
		p.Text = fmt.Sprintf("%s changed by %.3g +-%.2g%s", name, cmplx.Abs(d)*per, r95*per, unit)
		told := fmt.Sprintf("%.3g +-%.2g%s", cmplx.Abs(c.Predicted.V)*per, c.Predicted.Radius95*per, unit)
		switch {
		case cmplx.Abs(d) <= r95:
			p.Text += ": no more than the readings' own scatter."
		case c.Predicted.V == 0:
			p.Text += ", as a vector; nothing was predicted to compare it with."
		case c.Predicted.Radius95 > max(cmplx.Abs(c.Predicted.V), cmplx.Abs(d)):
			p.Text += fmt.Sprintf(", as a vector; what was predicted (%s) is too uncertain to compare with: trial planes further apart would sharpen it.", told)
		case cmplx.Abs(d-c.Predicted.V) <= Radius95(c.BeforeCov.Add(c.AfterCov).Add(c.Predicted.Cov)):
			p.Speaks, p.Text = "geometry", p.Text+fmt.Sprintf(", as predicted (%s): the blades made it.", told)
		default:
			p.Text += fmt.Sprintf(", not as predicted (%s): check blade numbers, the ruler's side and the influence coefficients.", told)
		}
		out = append(out, p)
	}
	return out
}

func (e Evidence) cannot() []string {
	out := []string{"A scan over speed cannot tell pitch from mass: both grow with the square of the speed."}
	if e.Sensors < 2 {
		out = append(out, "One sensor can always be nulled by one weight; two are needed to see a couple.")
	}
	if e.Survey == nil || e.Survey.Pitch == nil {
		out = append(out, "Without pitch readings the flow's part cannot be told from mass.")
	}
	if !e.CoupleKnown {
		out = append(out, "Without a two-plane solution the couple is not measured, so its cause cannot be shared out.")
	}
	return out
}

// decide: a couple that does not matter is a case for weights; else the share.
func (e Evidence) decide(j *Judgement) {
	switch {
	case e.CoupleKnown && e.CoupleLimit > 0 && cmplx.Abs(e.Couple)+Radius95(e.CoupleCov) < e.CoupleLimit:
		j.Code, j.Text = CallWeights, "The couple is small enough to stay: balance with weights."
	case j.P > sure:
		j.Code, j.Text = CallStraighten, "Bent or turned blades make the larger part of the couple: straighten first, weigh afterwards."
	case j.P < 1-sure:
		j.Code, j.Text = CallWeights, "Mass makes the larger part of the couple: balance with weights, in two planes where one is not enough."
	case math.IsNaN(j.P) && e.Survey != nil && e.Survey.SurelyOut():
		j.Code, j.Text = CallStraighten, "The blades are out of their tolerance by more than the reading error: straighten first, that is the order of work. Which share of the couple they make is not measured yet."
	case math.IsNaN(j.P) && e.clean():
		j.Code, j.Text = CallWeights, "Track and pitch are inside their tolerance by more than the reading error: balance with weights."
	case math.IsNaN(j.P) && e.OnePlaneP > 0.9 && e.Sensors >= 2:
		j.Code, j.Text = CallWeights, "One plane is enough: balance with weights. A survey of the blades is still worth its ten minutes."
	default:
		j.Code, j.Text = CallUndecided, "The evidence does not decide between mass and geometry: repeat the blade readings, or measure the couple with a two-plane trial."
		if e.Survey != nil && e.Survey.SurelyOut() {
			j.Text += " The blades are out of their tolerance all the same, and in the order of work they come before weights."
		}
	}
}

// clean says that both track and pitch were read and are inside by more than
// the reading error.
func (e Evidence) clean() bool {
	if e.Survey == nil || e.Survey.Track == nil || e.Survey.Pitch == nil || len(e.Survey.Questions) > 0 {
		return false
	}
	in := func(h *Harmonic, tol float64) bool { return cmplx.Abs(h.Sum)+Radius95(h.Cov) < tol }
	return in(e.Survey.Track, e.Survey.Limits.TrackHarmonic) && in(e.Survey.Pitch, e.Survey.Limits.PitchHarmonic)
}
