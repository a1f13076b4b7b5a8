package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"counterpoise/internal/blades"
	"counterpoise/internal/blades/surveyfile"
	"counterpoise/internal/rotor"
)

// sheet is a survey as this page keeps it: the keys of the survey file that
// the page asks for. It is stored as typed after every visit to a blade, so
// that nothing is lost when a phone dies.
type sheet struct {
	Convention rotor.Convention   `json:"convention"`
	Blades     int                `json:"blades"`
	Blade1Deg  float64            `json:"blade_1_deg"`
	Numbering  string             `json:"numbering"`
	DepthGrows string             `json:"depth_grows"`
	TipRadius  float64            `json:"tip_radius_mm,omitempty"`
	HubRadius  float64            `json:"hub_radius_mm,omitempty"`
	Chord      float64            `json:"chord_mm,omitempty"`
	BladeMass  float64            `json:"blade_mass_g,omitempty"`
	CGRadius   float64            `json:"cg_radius_mm,omitempty"`
	SpeedRPM   float64            `json:"speed_rpm,omitempty"`
	Setting    float64            `json:"pitch_setting_deg,omitempty"`
	Material   string             `json:"material,omitempty"`
	Planes     []surveyfile.Plane `json:"planes,omitempty"`
	FanZ       float64            `json:"fan_z_mm,omitempty"`
	Readings   []visit            `json:"readings"`

	// Anticlockwise is how the rotor turns as seen from the ruler. The survey
	// file does not need it; the drawing does.
	Anticlockwise bool `json:"-"`
}

type visit struct {
	Blade     int      `json:"blade"`
	Leading   *float64 `json:"leading_mm,omitempty"`
	Trailing  *float64 `json:"trailing_mm,omitempty"`
	Confirmed bool     `json:"confirmed,omitempty"`
}

// kept is a sheet in the job's events, with what only the page needs.
type kept struct {
	sheet
	Anti bool `json:"anticlockwise_from_ruler"`
}

// begunSheet is the newest sheet of the job, finished or not; before the first
// it is filled from what is known of the machine.
func (b *bench) begunSheet(ctx context.Context) (sh sheet, begun bool, err error) {
	events, err := b.job.Events(ctx)
	if err != nil {
		return sh, false, err
	}
	undone := b.job.State().Undone
	for i := len(events) - 1; i >= 0; i-- {
		if e := events[i]; len(e.Survey) > 0 && !slices.Contains(undone, e.Number) {
			var k kept
			if err := json.Unmarshal(e.Survey, &k); err != nil {
				return sh, false, fmt.Errorf("the survey in event %d cannot be read: %w", e.Number, err)
			}
			k.sheet.Anticlockwise = k.Anti
			return k.sheet, k.Blades > 0, nil
		}
	}
	return b.freshSheet(), false, nil
}

func (b *bench) freshSheet() sheet {
	sh := sheet{DepthGrows: "downstream", Numbering: "with-rotation"}
	u := b.job.State().Setup
	if u == nil {
		return sh
	}
	sh.Convention, sh.Blades, sh.SpeedRPM, sh.Anticlockwise = u.Convention, u.Machine.Blades, math.Round(rotor.RPM(u.Machine.Speed)), !u.Clockwise
	sh.Blade1Deg = round(u.Convention.Degrees(u.Machine.Blade1), 4)
	for _, p := range u.Planes {
		sh.Planes = append(sh.Planes, surveyfile.Plane{Name: p.Name, RadiusMM: p.Radius * 1e3, ZMM: p.Z * 1e3, CapG: p.Cap * 1e3})
	}
	if d, ok := b.st.Fan.(blader); ok && u.Virtual {
		m := d.Describe()
		mm := func(v float64) float64 { return round(v*1e3, 4) }
		sh.Blades, sh.TipRadius, sh.HubRadius, sh.Chord, sh.BladeMass, sh.CGRadius = m.Blades, mm(m.TipRadius), mm(m.HubRadius), mm(m.Chord), mm(m.BladeMass), mm(m.BladeCG)
		sh.FanZ, sh.Setting, sh.Material = mm(m.WheelZ), round(m.Stagger*180/math.Pi, 4), "ductile-sheet"
	}
	return sh
}

// file is the sheet as the room of blade surveys reads it.
func (sh sheet) file() (*surveyfile.File, error) {
	raw, err := json.Marshal(sh)
	if err != nil {
		return nil, err
	}
	return surveyfile.Parse(raw)
}

func (sh sheet) visits(blade int) (n int) {
	for _, v := range sh.Readings {
		if v.Blade == blade {
			n++
		}
	}
	return n
}

// keep stores the sheet: as a note while it grows, as the job's survey when it
// is finished.
func (b *bench) keep(ctx context.Context, a jobAct, sh sheet, done bool) error {
	raw, err := json.Marshal(kept{sh, sh.Anticlockwise})
	if err != nil {
		return err
	}
	a.Do, a.Survey, a.Note = "note", raw, say("survey.sofar")
	if done {
		a.Do, a.Note = "survey", ""
	}
	return b.act(ctx, a)
}

// check lets the room of surveys say what cannot be.
func (sh sheet) check() error {
	f, err := sh.file()
	if err == nil {
		_, err = f.Guide(sh.Anticlockwise)
	}
	return err
}

// finished refuses a survey with open questions: nothing is averaged away.
func (sh sheet) finished() error {
	f, err := sh.file()
	if err != nil {
		return err
	}
	reply, err := f.Answer()
	if err != nil {
		return err
	}
	for _, q := range reply.Questions {
		if q.Blocks {
			return errors.New(q.Text)
		}
	}
	return nil
}

// sheet reads the form that begins a survey.
func (t *typed) sheet(sh sheet) (sheet, error) {
	n, err := t.number("blades")
	if err != nil {
		return sh, err
	}
	if n != math.Trunc(n) || n < blades.MinBlades || n > blades.MaxBlades {
		return sh, fieldError{"blades", fmt.Sprintf(say("survey.blades.wrong"), blades.MinBlades, blades.MaxBlades)}
	}
	sh.Blades = int(n)
	for _, f := range []struct {
		name string
		to   *float64
	}{{"blade1", &sh.Blade1Deg}, {"tip", &sh.TipRadius}, {"hub", &sh.HubRadius}, {"chord", &sh.Chord}, {"mass", &sh.BladeMass}} {
		if *f.to, err = t.number(f.name); err != nil {
			return sh, err
		}
	}
	sh.Numbering, sh.DepthGrows, sh.Material = t.Form.Get("numbering"), t.Form.Get("grows"), t.Form.Get("material")
	sh.Anticlockwise = t.Form.Get("turns") == "anticlockwise"
	return sh, nil
}
