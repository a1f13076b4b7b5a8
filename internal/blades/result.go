package blades

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// Result is all that a survey says.
type Result struct {
	Survey    *Survey
	Geometry  Geometry
	Questions []Question
	Track     *Harmonic // nil: not read, or not for every blade
	Pitch     *Harmonic
	Effect    Effect
	Limits    Tolerance
	Advice    Advice
	Verdicts  []Verdict
}

// Judge works a survey out. It fails only where the survey cannot be one; what
// looks wrong comes back as questions and verdicts.
func Judge(s *Survey) (*Result, error) {
	g, asks, err := Reduce(s)
	if err != nil {
		return nil, err
	}
	r := &Result{Survey: s, Geometry: g, Questions: asks, Limits: s.Limits}
	if r.Limits == (Tolerance{}) {
		r.Limits = DefaultTolerance(s.TipRadius)
	}
	theta := s.Theta()
	if g.Track.Given {
		h := harmonicOf(g.Track, theta)
		r.Track = &h
	}
	if g.Pitch.Given {
		h := harmonicOf(g.Pitch, theta)
		r.Pitch = &h
	}
	r.Effect = s.effect(g)
	r.Advice = s.advise(g, r.Limits, r.blocked(), r.chasing())
	r.Advice.Steps = r.steps()
	r.Verdicts = r.judge()
	return r, nil
}

// blocked says that a question must be answered before a blade is touched.
func (r *Result) blocked() bool {
	for _, q := range r.Questions {
		if q.Blocks {
			return true
		}
	}
	return false
}

// Move is the correction of one blade.
type Move struct {
	Blade int
	Track float64 // m, + downstream
	Pitch float64 // rad, + steeper
}

// Standing is what must survive a correction.
type Standing struct {
	MeanPitch     float64 // rad; NaN = not read
	TrackSpread   float64 // m; NaN = not read
	TrackHarmonic float64
	PitchSpread   float64 // rad
	PitchHarmonic float64
	TipClearance  float64 // m, smallest; NaN = not given
}

// Advice is which blades to correct, in which order.
type Advice struct {
	Moves         []Move
	TrackPlan     *Plan // nil: nothing to plan with
	PitchPlan     *Plan
	TrackAllowed  bool // blades of this material may be bent
	PitchAllowed  bool
	Change        Effect // what the moves do
	Before, After Standing
	Swap          *Swap // nil: blades cannot be swapped, or their moment weights are unknown
	Steps         []Step
}

// aimFraction of the tolerance is aimed at where the same number of blades can
// reach it, so that an error of reading does not bring the rotor out again.
const aimFraction = 0.5

// which says something of each of the two figures.
type which struct{ track, pitch bool }

// chasing are the figures that are left alone for now: out by no more than the
// reading error, beside one that is surely out. That one is put right first;
// bending a blade for the other would chase the error of reading.
func (r *Result) chasing() which {
	sure := r.surelyOut()
	return which{track: sure.pitch && !sure.track && r.trackOut(), pitch: sure.track && !sure.pitch && r.pitchOut()}
}

func (s *Survey) advise(g Geometry, tol Tolerance, blocked bool, chasing which) Advice {
	a := Advice{TrackAllowed: s.Material != Cast && s.Material != Plastic && len(s.Cracked) == 0}
	a.PitchAllowed = len(s.Cracked) == 0 && (s.Adjustable || a.TrackAllowed)
	dt, _ := deviations(g.Track)
	dp, _ := deviations(g.Pitch)
	var mt, mp []float64
	if !blocked {
		w := s.weights(g)
		if dp != nil && a.PitchAllowed && !chasing.pitch && tol.PitchSpread+tol.PitchHarmonic > 0 {
			p := Fewest(dp, s.Theta(), w, Limits{Spread: tol.PitchSpread, Harmonic: tol.PitchHarmonic, Max: s.PitchMax, Step: s.Steps[1], Aim: aimFraction})
			a.PitchPlan, mp = &p, p.Move
		}
		if dt != nil && a.TrackAllowed && !chasing.track && !g.OneEdge && tol.TrackSpread+tol.TrackHarmonic > 0 {
			p := Fewest(dt, s.Theta(), w, Limits{Spread: tol.TrackSpread, Harmonic: tol.TrackHarmonic, Max: s.TrackMax, Step: s.Steps[0], Aim: aimFraction})
			a.TrackPlan, mt = &p, p.Move
		}
		if s.Separable && (g.Moment.Given || g.Mass.Given) {
			a.Swap = s.swapping(g)
		}
	}
	a.Moves = moves(mt, mp, s.Blades)
	a.Change = s.Moving(g, mt, mp)
	a.Before = s.standing(g, nil, nil)
	a.After = s.standing(g, mt, mp)
	return a
}

// weights of the blades in the harmonic: their moment weights over the mean,
// nil where blades count alike.
func (s *Survey) weights(g Geometry) []float64 {
	if !g.Mass.Given && !g.Moment.Given {
		return nil
	}
	mean := s.meanMoment(g)
	if mean <= 0 {
		return nil
	}
	w := make([]float64, s.Blades)
	for i := range w {
		m, r := s.massOf(i, g)
		w[i] = m * r / mean
	}
	return w
}

func (s *Survey) swapping(g Geometry) *Swap {
	m := make([]float64, s.Blades)
	for i := range m {
		switch {
		case g.Moment.Given:
			m[i] = g.Moment.Value[i]
		default:
			mass, r := s.massOf(i, g)
			m[i] = mass * r
		}
	}
	sw := Swapping(m, s.Theta())
	return &sw
}

func moves(track, pitch []float64, n int) []Move {
	out := []Move{}
	for i := range n {
		m := Move{Blade: i + 1}
		if track != nil {
			m.Track = track[i]
		}
		if pitch != nil {
			m.Pitch = pitch[i]
		}
		if m.Track != 0 || m.Pitch != 0 {
			out = append(out, m)
		}
	}
	return out
}

func (s *Survey) standing(g Geometry, mt, mp []float64) Standing {
	nan := math.NaN()
	st := Standing{nan, nan, nan, nan, nan, nan}
	after := func(c Column, d []float64) Harmonic {
		moved := Column{Value: append([]float64(nil), c.Value...), SD: c.SD}
		for i := range d {
			moved.Value[i] += d[i]
		}
		return harmonicAbout(moved, s.Theta(), meanOf(c.Value))
	}
	if g.Track.Given {
		h := after(g.Track, mt)
		st.TrackSpread, st.TrackHarmonic = h.Spread, cmplx.Abs(h.Sum)
	}
	if g.Pitch.Given {
		h := after(g.Pitch, mp)
		st.MeanPitch, st.PitchSpread, st.PitchHarmonic = h.Mean, h.Spread, cmplx.Abs(h.Sum)
	}
	if s.TipClearance > 0 {
		st.TipClearance = s.TipClearance - s.reachGrowth(g, mt, mp)
	}
	return st
}

// reachGrowth is the most by which a tip reaches further out after the moves.
// A tip cut to the circle at its old pitch b and turned to b+d has its corners,
// half a chord from the axis, on the radius R + c^2 (cos^2(b+d) - cos^2 b)/(8R).
// Bending a blade from z to z+d shortens it by ((z+d)^2 - z^2)/(2 L). Both from
// the geometry of small angles.
func (s *Survey) reachGrowth(g Geometry, mt, mp []float64) float64 {
	most := 0.0
	dt, _ := deviations(g.Track)
	for i := range s.Blades {
		grow := 0.0
		if mp != nil && s.TipRadius > 0 {
			c0, c1 := math.Cos(g.Pitch.Value[i]), math.Cos(g.Pitch.Value[i]+mp[i])
			grow += s.Chord * s.Chord * (c1*c1 - c0*c0) / (8 * s.TipRadius)
		}
		if l := s.TipRadius - s.HubRadius; mt != nil && l > 0 {
			z := dt[i] + mt[i]
			grow -= (z*z - dt[i]*dt[i]) / (2 * l)
		}
		most = max(most, grow)
	}
	return most
}

// PairFor is the pair of weights that would cancel the couple of the survey.
func (r *Result) PairFor(planes []rotor.Plane) ([]rotor.Weight, error) {
	return Pair(r.Effect.Couple(), planes)
}
