package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"counterpoise/internal/blades/surveyfile"
	"counterpoise/internal/rotor"
)

// sheet is a survey as this page keeps it: the keys of the survey file that
// the page asks for. It is stored as typed after every visit to a blade, so
// that nothing is lost when a phone dies.
type sheet struct {
	Convention rotor.Convention `json:"convention"`
	Blades     int              `json:"blades"`
	Blade1Deg  float64          `json:"blade_1_deg"`
	Numbering  string           `json:"numbering"`
	DepthGrows string           `json:"depth_grows"`
	AnglesDeg  []float64        `json:"blade_angles_deg,omitempty"` // follows from the readings

	TipRadius  float64 `json:"tip_radius_mm,omitempty"`
	HubRadius  float64 `json:"hub_radius_mm,omitempty"`
	ReadRadius float64 `json:"read_radius_mm,omitempty"`
	Chord      float64 `json:"chord_mm,omitempty"`
	BladeMass  float64 `json:"blade_mass_g,omitempty"`
	CGRadius   float64 `json:"cg_radius_mm,omitempty"`
	CGOffset   float64 `json:"cg_offset_mm,omitempty"`
	Clearance  float64 `json:"tip_clearance_mm,omitempty"`
	SpeedRPM   float64 `json:"speed_rpm,omitempty"`
	FlapHz     float64 `json:"flap_hz,omitempty"`
	Setting    float64 `json:"pitch_setting_deg,omitempty"`

	Material   string `json:"material,omitempty"`
	Adjustable bool   `json:"adjustable_pitch,omitempty"`
	Separable  bool   `json:"separable,omitempty"`
	Cracked    []int  `json:"cracked,omitempty"`

	Tolerance  *sheetTolerance `json:"tolerance,omitempty"`
	DepthError float64         `json:"depth_error_mm,omitempty"`
	AngleError float64         `json:"angle_error_deg,omitempty"`
	MaxTrack   float64         `json:"max_track_mm,omitempty"`
	MaxPitch   float64         `json:"max_pitch_deg,omitempty"`
	StepTrack  float64         `json:"step_track_mm,omitempty"`
	StepPitch  float64         `json:"step_pitch_deg,omitempty"`

	Planes   []surveyfile.Plane `json:"planes,omitempty"`
	FanZ     float64            `json:"fan_z_mm,omitempty"`
	Readings []visit            `json:"readings"`

	// Anticlockwise is how the rotor turns as seen from the ruler. The survey
	// file does not need it; the drawing does.
	Anticlockwise bool `json:"-"`
}

type sheetTolerance struct {
	Preset string  `json:"preset,omitempty"`
	Track  float64 `json:"track_spread_mm,omitempty"`
	Pitch  float64 `json:"pitch_spread_deg,omitempty"`
}

type visit struct {
	Blade     int      `json:"blade"`
	Leading   *float64 `json:"leading_mm,omitempty"`
	Trailing  *float64 `json:"trailing_mm,omitempty"`
	Pitch     *float64 `json:"pitch_deg,omitempty"`
	Mass      *float64 `json:"mass_g,omitempty"`
	Moment    *float64 `json:"moment_weight_g_mm,omitempty"`
	Place     *float64 `json:"place_deg,omitempty"` // from blade 1, the way the numbers run
	Confirmed bool     `json:"confirmed,omitempty"`
}

// kept is a sheet in the job's events, with what only the page needs.
type kept struct {
	sheet
	Anti bool `json:"anticlockwise_from_ruler"`
}

// begunSheet is the newest sheet of the job, finished or not; before the first
// it is filled from what is known of the machine. event holds it, 0 = none. What
// was read of a blade that was moved since is left out: it says nothing now.
func (b *bench) begunSheet(ctx context.Context) (sh sheet, event int, err error) {
	events, err := b.job.Events(ctx)
	if err != nil {
		return sh, 0, err
	}
	undone := b.job.State().Undone
	var moved []int
	for i := len(events) - 1; i >= 0; i-- {
		e := events[i]
		if slices.Contains(undone, e.Number) {
			continue
		}
		for _, m := range e.Moves {
			moved = append(moved, m.Blade)
		}
		if len(e.Survey) > 0 {
			var k kept
			if err := json.Unmarshal(e.Survey, &k); err != nil {
				return sh, 0, fmt.Errorf("the survey in event %d cannot be read: %w", e.Number, err)
			}
			k.sheet.Anticlockwise = k.Anti
			k.Readings = slices.DeleteFunc(k.Readings, func(v visit) bool { return slices.Contains(moved, v.Blade) })
			if k.Blades == 0 {
				break
			}
			return k.sheet, e.Number, nil
		}
	}
	return b.freshSheet(), 0, nil
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
		sh.FanZ, sh.Setting, sh.FlapHz, sh.Material = mm(m.WheelZ), round(m.Stagger*180/math.Pi, 4), round(m.FlapHz, 4), "ductile-sheet"
	}
	return sh
}

// file is the sheet as the room of blade surveys reads it.
func (sh sheet) file() (*surveyfile.File, error) {
	raw, err := json.Marshal(sh.spaced())
	if err != nil {
		return nil, err
	}
	return surveyfile.Parse(raw)
}

// spaced fills in the places of the blades where all were read.
func (sh sheet) spaced() sheet {
	sh.AnglesDeg = nil
	if n, at := sh.places(); n == sh.Blades {
		sh.AnglesDeg = at
	}
	return sh
}

// places are the newest place of each blade and how many were read. Blade 1
// stands at zero by itself.
func (sh sheet) places() (n int, at []float64) {
	at = make([]float64, sh.Blades)
	read := make([]bool, sh.Blades)
	for _, v := range sh.Readings {
		if v.Place != nil && v.Blade <= sh.Blades {
			at[v.Blade-1], read[v.Blade-1] = *v.Place, true
		}
	}
	for i := range read {
		if read[i] {
			n++
		}
	}
	if n > 0 && !read[0] {
		n++
	}
	return n, at
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
	raw, err := json.Marshal(kept{sh.spaced(), sh.Anticlockwise})
	if err != nil {
		return err
	}
	a.Do, a.Survey, a.Note = "note", raw, say("survey.sofar")
	if done {
		a.Do, a.Note = "survey", ""
		a.Confirmed = allCautions() // its own were ticked before the first blade was read
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
