package trace

import (
	"encoding/json"
	"errors"
	"math"

	"counterpoise/internal/blades"
	"counterpoise/internal/blades/running"
	"counterpoise/internal/blades/surveyfile"
	"counterpoise/internal/rotor"
)

// TrackAnswer is what a distance sensor saw of the running blades, as JSON.
type TrackAnswer struct {
	Schema     int               `json:"schema"`
	Convention rotor.Convention  `json:"convention"`
	SpeedRPM   float64           `json:"speed_rpm"`
	Turns      int               `json:"revolutions"`
	Blade1Deg  *float64          `json:"blade_1_deg"`
	Blades     []TrackBlade      `json:"blades"`
	Straighten *float64          `json:"running_share"` // of the deflection at standstill that is left at speed
	ShareSE    *float64          `json:"running_share_standard_error"`
	Survey     *TrackSurvey      `json:"survey"`    // the running wheel as the command survey reads it
	Judgement  *surveyfile.Reply `json:"judgement"` // of that survey, as the command survey answers
	Notes      []string          `json:"notes"`
}

// TrackBlade is one blade.
type TrackBlade struct {
	Blade    int      `json:"blade"`
	Seen     bool     `json:"seen"`
	Track    *float64 `json:"track_mm"` // from the mean, + downstream
	TrackSE  *float64 `json:"track_standard_error_mm"`
	Spacing  *float64 `json:"spacing_error_deg"`
	SpacSE   *float64 `json:"spacing_standard_error_deg"`
	Passes   *float64 `json:"passes_ms"`
	Pitch    *float64 `json:"pitch_deg"`
	PitchSE  *float64 `json:"pitch_standard_error_deg"`
	Static   *float64 `json:"standstill_mm"`
	Moved    *float64 `json:"moved_mm"`
	MovedSE  *float64 `json:"moved_standard_error_mm"`
	StandOut bool     `json:"stands_out"`
}

// TrackSurvey is the running wheel with the keys of a survey file.
type TrackSurvey struct {
	Convention   rotor.Convention `json:"convention"`
	Blades       int              `json:"blades"`
	Blade1Deg    float64          `json:"blade_1_deg"`
	Numbering    rotor.Convention `json:"numbering"`
	DepthGrows   string           `json:"depth_grows"`
	AnglesDeg    []float64        `json:"blade_angles_deg"`
	Track        []*float64       `json:"track_mm"`
	Pitch        []*float64       `json:"pitch_deg,omitempty"`
	ReadRadius   float64          `json:"read_radius_mm,omitempty"`
	TipRadius    float64          `json:"tip_radius_mm,omitempty"`
	HubRadius    float64          `json:"hub_radius_mm,omitempty"`
	CGRadius     float64          `json:"cg_radius_mm,omitempty"`
	BladeMass    float64          `json:"blade_mass_g,omitempty"`
	SpeedRPM     float64          `json:"speed_rpm"`
	DepthErrorMM float64          `json:"depth_error_mm"`
	AngleError   float64          `json:"angle_error_deg,omitempty"`
}

// TrackResult is a track worked out, with the comparison where a survey at
// standstill was given.
type TrackResult struct {
	Running  *running.Result
	Moved    *running.Comparison // nil without a survey at standstill
	Standing *blades.Survey      // that survey
}

// TrackResult works out a track, beside a survey at standstill or nil. No block
// may come meanwhile.
func (t *Trace) TrackResult(standing *blades.Survey) (*TrackResult, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case t.cfg.Kind != Track:
		return nil, errors.New("this trace followed the speed, not the blades: ask for what the speed told")
	case t.bad != nil:
		return nil, t.bad
	case t.track == nil:
		return nil, errors.New("the source holds no samples, so no blade was seen: look at the file or the board")
	}
	r, err := t.track.Result()
	if err != nil {
		return nil, err
	}
	out := &TrackResult{Running: r, Standing: standing}
	if standing != nil {
		if out.Moved, err = r.Compare(standing); err != nil {
			return nil, err
		}
	}
	return out, nil
}

const degrees = 180 / math.Pi

// Answer writes the result for a View.
func (t *TrackResult) Answer(v View) *TrackAnswer {
	r, c := t.Running, v.Convention
	out := &TrackAnswer{Schema: 1, Convention: c, SpeedRPM: rotor.RPM(r.Speed), Turns: r.Turns, Blades: []TrackBlade{}, Notes: append([]string{}, r.Notes...)}
	if !math.IsNaN(r.Blade1) {
		out.Blade1Deg = number(c.Degrees(r.Blade1))
	}
	for i, b := range r.Blades {
		x := TrackBlade{Blade: b.Number, Seen: b.Seen, Track: number(b.Height * 1e3), TrackSE: number(b.HeightSD * 1e3), Spacing: number(b.Off * degrees),
			SpacSE: number(b.AngleSD * degrees), Passes: number(b.Passes * 1e3), Pitch: number(b.Pitch * degrees), PitchSE: number(b.PitchSD * degrees)}
		if t.Moved != nil {
			m := t.Moved.Blades[i]
			x.Static, x.Moved, x.MovedSE, x.StandOut = number(m.Static*1e3), number(m.Moved*1e3), number(m.MovedSD*1e3), m.StandsOut
		}
		out.Blades = append(out.Blades, x)
	}
	if t.Moved != nil {
		out.Straighten, out.ShareSE = number(t.Moved.Share), number(t.Moved.ShareSD)
		out.Notes = append(out.Notes, t.Moved.Notes...)
	}
	out.Survey = t.survey(c)
	var err error
	if out.Judgement, err = out.Survey.judge(); err != nil {
		out.Notes = append(out.Notes, err.Error())
	}
	return out
}

// judge has the room of surveys judge the running wheel.
func (s *TrackSurvey) judge() (*surveyfile.Reply, error) {
	raw, err := json.Marshal(s)
	if err != nil {
		return nil, err
	}
	f, err := surveyfile.Parse(raw)
	if err != nil {
		return nil, err
	}
	return f.Answer()
}

// Survey is the running wheel as a blade survey.
func (t *TrackResult) Survey() *blades.Survey { return t.Running.Survey(t.Standing) }

func (t *TrackResult) survey(c rotor.Convention) *TrackSurvey {
	s := t.Survey()
	out := &TrackSurvey{Convention: c, Blades: s.Blades, Blade1Deg: c.Degrees(s.Blade1), Numbering: s.Numbering, DepthGrows: "downstream",
		Track: make([]*float64, s.Blades), ReadRadius: s.ReadRadius * 1e3, TipRadius: s.TipRadius * 1e3, HubRadius: s.HubRadius * 1e3, CGRadius: s.CGRadius * 1e3, BladeMass: s.BladeMass * 1e3,
		SpeedRPM: rotor.RPM(s.Speed), DepthErrorMM: s.DepthSD * 1e3, AngleError: s.AngleSD * degrees}
	for _, a := range s.Angles {
		out.AnglesDeg = append(out.AnglesDeg, a*degrees)
	}
	pitch, any := make([]*float64, s.Blades), false
	for _, x := range s.Readings {
		switch x.Kind {
		case blades.Depth:
			out.Track[x.Blade-1] = number(x.Value * 1e3)
		case blades.Incline:
			pitch[x.Blade-1], any = number(x.Value*degrees), true
		}
	}
	if any {
		out.Pitch = pitch
	}
	return out
}
