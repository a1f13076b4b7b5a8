package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"counterpoise/internal/blades"
)

// figure is one number of the form that states what blades they are.
type figure struct {
	Name, Word string
	to         func(*sheet) *float64
}

// plainFigures are those that everybody is asked for.
func plainFigures() []figure {
	return []figure{
		{"tip", say("survey.tip"), func(s *sheet) *float64 { return &s.TipRadius }},
		{"hub", say("survey.hub"), func(s *sheet) *float64 { return &s.HubRadius }},
		{"chord", say("survey.chord"), func(s *sheet) *float64 { return &s.Chord }},
		{"mass", say("survey.mass"), func(s *sheet) *float64 { return &s.BladeMass }},
		{"clearance", say("survey.clearance"), func(s *sheet) *float64 { return &s.Clearance }},
	}
}

// moreFigures are for those who know more.
func moreFigures() []figure {
	return []figure{
		{"depth_error", say("survey.error.depth"), func(s *sheet) *float64 { return &s.DepthError }},
		{"angle_error", say("survey.error.angle"), func(s *sheet) *float64 { return &s.AngleError }},
		{"max_track", say("survey.max.track"), func(s *sheet) *float64 { return &s.MaxTrack }},
		{"step_track", say("survey.step.track"), func(s *sheet) *float64 { return &s.StepTrack }},
		{"max_pitch", say("survey.max.pitch"), func(s *sheet) *float64 { return &s.MaxPitch }},
		{"step_pitch", say("survey.step.pitch"), func(s *sheet) *float64 { return &s.StepPitch }},
		{"setting", say("survey.setting"), func(s *sheet) *float64 { return &s.Setting }},
		{"cg", say("survey.cg"), func(s *sheet) *float64 { return &s.CGRadius }},
		{"cg_off", say("survey.cg.off"), func(s *sheet) *float64 { return &s.CGOffset }},
		{"at", say("survey.at"), func(s *sheet) *float64 { return &s.ReadRadius }},
		{"speed", say("survey.speed"), func(s *sheet) *float64 { return &s.SpeedRPM }},
		{"flap", say("survey.flap"), func(s *sheet) *float64 { return &s.FlapHz }},
		{"z", say("survey.z"), func(s *sheet) *float64 { return &s.FanZ }},
	}
}

// orient reads which way round the rotor stands, which is all the drawing needs.
func (t *typed) orient(sh sheet) (sheet, error) {
	n, err := t.number("blades")
	if err != nil {
		return sh, err
	}
	if n != math.Trunc(n) || n < blades.MinBlades || n > blades.MaxBlades {
		return sh, fieldError{"blades", fmt.Sprintf(say("survey.blades.wrong"), blades.MinBlades, blades.MaxBlades)}
	}
	sh.Blades = int(n)
	if sh.Blade1Deg, err = t.number("blade1"); err != nil {
		return sh, err
	}
	sh.Numbering, sh.DepthGrows = t.Form.Get("numbering"), t.Form.Get("grows")
	sh.Anticlockwise = t.Form.Get("turns") == "anticlockwise"
	return sh, nil
}

// sheet reads the form that begins a survey, or changes what was stated.
func (t *typed) sheet(sh sheet) (sheet, error) {
	sh, err := t.orient(sh)
	if err != nil {
		return sh, err
	}
	for _, f := range append(plainFigures(), moreFigures()...) {
		if *f.to(&sh), err = t.number(f.Name); err != nil {
			return sh, err
		}
	}
	sh.Material = t.Form.Get("material")
	sh.Adjustable, sh.Separable = t.Form.Get("adjustable") == "yes", t.Form.Get("separable") == "yes"
	if sh.Cracked, err = t.cracked(); err != nil {
		return sh, err
	}
	tol := sheetTolerance{Preset: t.Form.Get("tolerance")}
	if tol.Track, err = t.number("tol_track"); err != nil {
		return sh, err
	}
	if tol.Pitch, err = t.number("tol_pitch"); err != nil {
		return sh, err
	}
	if sh.Tolerance = nil; tol != (sheetTolerance{}) {
		sh.Tolerance = &tol
	}
	return sh, nil
}

// cracked reads a list of blades.
func (t *typed) cracked() (out []int, err error) {
	for _, w := range strings.FieldsFunc(t.Form.Get("cracked"), func(r rune) bool { return r == ',' || r == ';' || r == ' ' }) {
		n, err := strconv.Atoi(w)
		if err != nil {
			return nil, fieldError{"cracked", say("survey.cracked.wrong")}
		}
		out = append(out, n)
	}
	return out, nil
}

// visit reads the form of one visit to a blade.
func (t *typed) visit(sh *sheet) error {
	n, _ := strconv.Atoi(t.Form.Get("blade"))
	if n < 1 || n > sh.Blades {
		return fieldError{"blade", fmt.Sprintf(say("survey.blade.wrong"), sh.Blades)}
	}
	v := visit{Blade: n}
	given := 0
	for _, f := range []struct {
		name      string
		to        **float64
		low, high float64
		wrong     string
	}{
		{"leading", &v.Leading, -1e5, 1e5, say("survey.depth.wrong")}, {"trailing", &v.Trailing, -1e5, 1e5, say("survey.depth.wrong")},
		{"pitch", &v.Pitch, -360, 360, say("survey.visit.wrong")}, {"one_mass", &v.Mass, 0, 1e9, say("survey.visit.wrong")},
		{"one_moment", &v.Moment, 0, 1e12, say("survey.visit.wrong")}, {"place", &v.Place, -360, 360, say("survey.visit.wrong")},
	} {
		if strings.TrimSpace(t.Form.Get(f.name)) == "" {
			continue
		}
		x, err := t.number(f.name)
		if err != nil {
			return err
		}
		if !(x >= f.low && x <= f.high) {
			return fieldError{f.name, f.wrong}
		}
		*f.to = &x
		given++
	}
	switch {
	case given == 0:
		return fieldError{"leading", say("survey.visit.empty")}
	case v.Leading == nil && v.Trailing != nil && v.Pitch == nil:
		return fieldError{"leading", say("survey.edge.missing")}
	case v.Leading != nil && v.Trailing == nil && v.Pitch == nil:
		return fieldError{"trailing", say("survey.edge.missing")}
	}
	sh.Readings = append(sh.Readings, v)
	return nil
}
