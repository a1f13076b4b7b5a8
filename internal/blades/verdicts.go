package blades

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
)

// judge says in sentences what the survey found, questions first.
func (r *Result) judge() []Verdict {
	v := []Verdict{}
	for _, q := range r.Questions {
		v = append(v, Verdict{q.Code, q.Text})
	}
	v = append(v, r.onReading()...)
	v = append(v, r.onTrack()...)
	v = append(v, r.onPitch()...)
	v = append(v, r.onSurvival()...)
	return append(v, r.onMaterial()...)
}

// Codes that others ask for.
const (
	VerdictTrackOut = "track-out"
	VerdictPitchOut = "pitch-out"

	VerdictTrackDoubtful = "track-doubtful" // out by no more than the reading error, beside a pitch that is surely out
	VerdictPitchDoubtful = "pitch-doubtful" // the other way round
)

func say(code, format string, args ...any) []Verdict {
	return []Verdict{{code, fmt.Sprintf(format, args...)}}
}

// onReading says how the figures were come by.
func (r *Result) onReading() (v []Verdict) {
	s, g := r.Survey, r.Geometry
	if g.OneEdge {
		lean := 45.0
		if s.Chord > 0 {
			lean = s.Chord / 2 / mm
		}
		v = append(v, say("one-edge", "Only one edge was read, so a blade that is too steep looks out of track by up to %.1f mm per degree, and with the wrong sign for its effect. Read both edges at one radius, or the blade angle as well.", lean*degree)...)
	}
	if s.Limits == (Tolerance{}) {
		v = append(v, say("tolerance-assumed", "No tolerance was given; used: %s. Put the maker's figure in its place.", r.Limits.Source)...)
	}
	if c := r.Geometry.Track; c.Given && c.Basis == "assumed" {
		v = append(v, say("error-assumed", "No reading was repeated, so a reading error of %.1f mm is assumed. Read each blade twice to know it.", c.Repeat/mm)...)
	}
	if r.Effect.Bound && r.Track != nil && r.Effect.CoupleKnown {
		v = append(v, say("couple-upper-bound", "The hub radius is not known, so the couple counts every blade as shifted as a whole: it is an upper bound. State hub and tip radius.")...)
	}
	if r.Track != nil && !r.Effect.CoupleKnown {
		v = append(v, say("mass-unknown", "The couple cannot be stated without the mass and a radius of the blades: weigh one blade, or ask the maker.")...)
	}
	return v
}

func (r *Result) onTrack() []Verdict {
	if r.Track == nil || r.Limits.TrackSpread+r.Limits.TrackHarmonic == 0 {
		return nil
	}
	h, tol := r.Track, r.Limits
	sum := cmplx.Abs(h.Sum)
	figures := fmt.Sprintf("spread %.1f mm (allowed %.1f), first harmonic %.1f +-%.1f blade-mm (allowed %.1f)",
		h.Spread/mm, tol.TrackSpread/mm, sum/mm, Radius95(h.Cov)/mm, tol.TrackHarmonic/mm)
	switch {
	case r.chasing().track:
		return say(VerdictTrackDoubtful, "Track may be out: %s. That is no more than the reading error may do, so no blade is bent for it now: put pitch right, then read every blade once more.", figures)
	case r.trackOut():
		v := say(VerdictTrackOut, "Track is out: %s. No single weight can cure the couple this makes; %s.%s", figures, r.planned(r.Advice.TrackPlan, r.Advice.TrackAllowed, "straighten"), doubt(h, tol.TrackSpread, tol.TrackHarmonic))
		return append(v, r.cutOff(r.Advice.TrackPlan, "track")...)
	case over(sum+Radius95(h.Cov), tol.TrackHarmonic):
		return say("track-uncertain", "Track is inside its tolerance, but not by more than the reading error: %s. Repeat the readings if the vibration does not fall.", figures)
	}
	return say("track-ok", "Track is inside its tolerance: %s.", figures)
}

func (r *Result) onPitch() []Verdict {
	if r.Pitch == nil || r.Limits.PitchSpread+r.Limits.PitchHarmonic == 0 {
		return nil
	}
	h, tol := r.Pitch, r.Limits
	sum := cmplx.Abs(h.Sum)
	figures := fmt.Sprintf("spread %.1f deg (allowed %.1f), first harmonic %.1f +-%.1f blade-degrees (allowed %.1f)",
		h.Spread/degree, tol.PitchSpread/degree, sum/degree, Radius95(h.Cov)/degree, tol.PitchHarmonic/degree)
	switch {
	case r.chasing().pitch:
		return say(VerdictPitchDoubtful, "Pitch may be out: %s. That is no more than the reading error may do, so no blade is twisted for it now: put track right, then read every blade once more.", figures)
	case r.pitchOut():
		v := say(VerdictPitchOut, "Pitch is out: %s. A weight can hide it at one duty only; %s, before track.%s", figures, r.planned(r.Advice.PitchPlan, r.Advice.PitchAllowed, "set"), doubt(h, tol.PitchSpread, tol.PitchHarmonic))
		return append(v, r.cutOff(r.Advice.PitchPlan, "pitch")...)
	case over(sum+Radius95(h.Cov), tol.PitchHarmonic):
		return say("pitch-uncertain", "Pitch is inside its tolerance, but not by more than the reading error: %s.", figures)
	}
	return say("pitch-ok", "Pitch is inside its tolerance: %s.", figures)
}

// SurelyOut reports whether track or pitch is outside its tolerance by more
// than the reading error: bending a blade on less would chase that error.
func (r *Result) SurelyOut() bool {
	sure := r.surelyOut()
	return sure.track || sure.pitch
}

func (r *Result) surelyOut() which {
	out := func(h *Harmonic, spread, harmonic float64) bool { return h != nil && h.surelyOver(spread, harmonic) }
	return which{track: out(r.Track, r.Limits.TrackSpread, r.Limits.TrackHarmonic), pitch: out(r.Pitch, r.Limits.PitchSpread, r.Limits.PitchHarmonic)}
}

// trackOut reports whether track as read is outside its tolerance, surely or not.
func (r *Result) trackOut() bool {
	return r.Track != nil && (over(r.Track.Spread, r.Limits.TrackSpread) || over(cmplx.Abs(r.Track.Sum), r.Limits.TrackHarmonic))
}

func (r *Result) pitchOut() bool {
	return r.Pitch != nil && (over(r.Pitch.Spread, r.Limits.PitchSpread) || over(cmplx.Abs(r.Pitch.Sum), r.Limits.PitchHarmonic))
}

// surelyOver takes 95 % of what the readings leave open off both figures; the
// spread lies between two readings.
func (h *Harmonic) surelyOver(spread, harmonic float64) bool {
	return over(h.Spread-1.96*math.Sqrt2*h.SD, spread) || over(cmplx.Abs(h.Sum)-Radius95(h.Cov), harmonic)
}

func doubt(h *Harmonic, spread, harmonic float64) string {
	if h.surelyOver(spread, harmonic) {
		return ""
	}
	return " That is no more than the reading error may do: read every blade once more before one is bent."
}

func over(v, limit float64) bool { return limit > 0 && v > limit*(1+1e-9) }

// planned names the blades to correct.
func (r *Result) planned(p *Plan, allowed bool, verb string) string {
	switch {
	case !allowed:
		return "these blades must not be bent: replace the blade or ask the maker"
	case p == nil:
		return "answer the questions about the readings first"
	case !p.Found:
		return "the moves that are allowed cannot bring it inside"
	}
	var names []string
	for i, d := range p.Move {
		if d != 0 {
			names = append(names, fmt.Sprint(i+1))
		}
	}
	word := "blades "
	if len(names) == 1 {
		word = "blade "
	}
	return verb + " " + word + strings.Join(names, ", ")
}

// cutOff owns up to a search that ended early.
func (r *Result) cutOff(p *Plan, what string) []Verdict {
	if p == nil || p.Proven || !p.Found {
		return nil
	}
	return say("search-cut-off", "The search for the fewest %s moves was cut off: %d blades will do, fewer than %d cannot.", what, p.Count, p.Bound)
}

// Changes of what must survive a correction that deserve a word. Common
// practice, no source.
const (
	meanPitchLimit = 0.5 * degree // 5 to 8 % of the thrust, by blade element integrals
	bigBend        = 0.05         // of the blade's length
)

func (r *Result) onSurvival() (v []Verdict) {
	b, a := r.Advice.Before, r.Advice.After
	if d := a.MeanPitch - b.MeanPitch; math.Abs(d) > meanPitchLimit {
		v = append(v, say("mean-pitch-moves", "The moves change the mean pitch from %.1f to %.1f deg, and with it the motor's load and the duty: watch the current, or set the other blades instead.", b.MeanPitch/degree, a.MeanPitch/degree)...)
	}
	if r.Survey.Setting > 0 && !math.IsNaN(a.MeanPitch) && math.Abs(a.MeanPitch-r.Survey.Setting) > r.Limits.PitchSpread/2+1e-12 && r.Limits.PitchSpread > 0 {
		v = append(v, say("off-setting", "The mean pitch is %.1f deg, the maker's setting %.1f deg: the fan will not run at its duty.", a.MeanPitch/degree, r.Survey.Setting/degree)...)
	}
	if a.TipClearance <= 0 {
		v = append(v, say("tip-touches", "After the moves the tips would touch the casing: clearance %.1f mm. Do not make them.", a.TipClearance/mm)...)
	} else if a.TipClearance < 0.8*b.TipClearance {
		v = append(v, say("clearance-shrinks", "Tip clearance shrinks from %.1f to %.1f mm: turn the rotor by hand all the way round before it runs.", b.TipClearance/mm, a.TipClearance/mm)...)
	}
	length := r.Survey.TipRadius - r.Survey.HubRadius
	for _, m := range r.Advice.Moves {
		if length > 0 && math.Abs(m.Track) > bigBend*length {
			v = append(v, say("large-bend", "Blade %d would have to be bent by %.1f mm, more than a twentieth of its length: look for what bent it, and replace it rather.", m.Blade, math.Abs(m.Track)/mm)...)
		}
	}
	return v
}

func (r *Result) onMaterial() (v []Verdict) {
	s := r.Survey
	if len(s.Cracked) > 0 {
		return say("cracked", "Blade %s is cracked: the rotor must not run. Replace the blade, find the cause, then survey again; no move is advised until then.", strings.Trim(fmt.Sprint(s.Cracked), "[]"))
	}
	if s.Material == Cast || s.Material == Plastic {
		return say("do-not-bend", "Blades of this material (%s) break when bent: replace the blade or ask the maker; pitch may only be set at the hub.", s.Material)
	}
	if len(r.Advice.Moves) > 0 && s.Material == MaterialUnknown {
		v = say("bend-only-ductile", "Bend only ductile sheet-metal blades, and only after a check for cracks. Cast, plastic or fibre blades: replace, or ask the maker.")
	}
	return v
}
