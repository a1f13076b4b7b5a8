// Package surveyfile is the blade survey as people and machines write it: JSON
// with millimetres, degrees and grams, angles in the stated convention. It
// turns such a file into a survey in SI and the judgement back; the keys are a
// promise of the program.
package surveyfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"counterpoise/internal/blades"
	"counterpoise/internal/rotor"
)

const (
	mm     = 1e-3
	degree = math.Pi / 180
)

// File is a survey as people write it.
type File struct {
	Convention rotor.Convention `json:"convention"`
	Blades     int              `json:"blades"`
	Blade1Deg  float64          `json:"blade_1_deg"`
	Numbering  rotor.Convention `json:"numbering"`
	AnglesDeg  []float64        `json:"blade_angles_deg"` // measured, from blade 1, the way the numbers run
	DepthGrows string           `json:"depth_grows"`

	TrackMM  []*float64 `json:"track_mm"` // null = not read
	PitchDeg []*float64 `json:"pitch_deg"`
	Readings []Visit    `json:"readings"`

	TipRadiusMM  float64   `json:"tip_radius_mm"`
	HubRadiusMM  float64   `json:"hub_radius_mm"`
	CGRadiusMM   float64   `json:"cg_radius_mm"`
	ReadRadiusMM float64   `json:"read_radius_mm"`
	ChordMM      float64   `json:"chord_mm"`
	BladeMassG   oneOrMore `json:"blade_mass_g"` // one figure for all, or one per blade
	MomentGMM    []float64 `json:"moment_weight_g_mm"`
	CGOffsetMM   float64   `json:"cg_offset_mm"`

	SpeedRPM   float64 `json:"speed_rpm"`
	FlapHz     float64 `json:"flap_hz"`
	Density    float64 `json:"density_kg_m3"`
	Clearance  float64 `json:"tip_clearance_mm"`
	SettingDeg float64 `json:"pitch_setting_deg"`

	Air *Air `json:"air"`

	Material   string `json:"material"`
	Adjustable bool   `json:"adjustable_pitch"`
	Separable  bool   `json:"separable"`
	Cracked    []int  `json:"cracked"`

	DepthErrorMM  float64   `json:"depth_error_mm"`
	AngleErrorDeg float64   `json:"angle_error_deg"`
	Tolerance     Tolerance `json:"tolerance"`
	MaxTrackMM    float64   `json:"max_track_mm"`
	MaxPitchDeg   float64   `json:"max_pitch_deg"`
	StepTrackMM   float64   `json:"step_track_mm"`
	StepPitchDeg  float64   `json:"step_pitch_deg"`

	Planes    []Plane    `json:"planes"`
	FanZMM    float64    `json:"fan_z_mm"`
	Sensors   []Sensor   `json:"sensors"`
	Influence [][]Vector `json:"influence"` // [sensor][plane], per gram
	Unit      string     `json:"unit"`
	Detector  string     `json:"detector"`
	Measured  *Measured  `json:"measured"`

	Anticlockwise bool `json:"anticlockwise_from_ruler"` // how the rotor turns, for the drawing alone

	Schema  int      `json:"schema"`
	Name    string   `json:"name"`
	ignored []string // keys that are not known
}

// Air is the effect of one blade's pitch where somebody worked it out for the
// fan at speed_rpm.
type Air struct {
	Moment float64 `json:"moment_n_m_per_deg"`
	Side   float64 `json:"side_g_mm_per_deg"`
	Lead   float64 `json:"lead_deg"` // with rotation, ahead of the blade
}

// Visit is one visit to one blade.
type Visit struct {
	Blade       int      `json:"blade"`
	LeadingMM   *float64 `json:"leading_mm"`
	TrailingMM  *float64 `json:"trailing_mm"`
	TrackMM     *float64 `json:"track_mm"`
	PitchDeg    *float64 `json:"pitch_deg"`
	MassG       *float64 `json:"mass_g"`
	MomentGMM   *float64 `json:"moment_weight_g_mm"`
	Confirmed   bool     `json:"confirmed"`
	Description string   `json:"note"`
}

// Plane is a correction plane; z from the same origin as fan_z_mm.
type Plane struct {
	Name     string  `json:"name"`
	RadiusMM float64 `json:"radius_mm"`
	ZMM      float64 `json:"z_mm"`
	CapG     float64 `json:"cap_g"` // most that may be fitted; 0 = not known
}

// Sensor names a sensor.
type Sensor struct {
	Name string `json:"name"`
}

// Vector is a phasor as people write it.
type Vector struct {
	Amplitude float64 `json:"amplitude"`
	PhaseDeg  float64 `json:"phase_deg"`
}

// Measured is what a two-plane solution found on the rotor.
type Measured struct {
	Couple struct {
		Amount        float64 `json:"amount"`
		AngleDeg      float64 `json:"angle_deg"`
		StandardError float64 `json:"standard_error"`
	} `json:"couple_g_mm2"`
}

// Tolerance is a preset's name or figures of one's own.
type Tolerance struct {
	Preset           string  `json:"preset"`
	TrackSpreadMM    float64 `json:"track_spread_mm"`
	TrackHarmonicMM  float64 `json:"track_harmonic_mm"`
	PitchSpreadDeg   float64 `json:"pitch_spread_deg"`
	PitchHarmonicDeg float64 `json:"pitch_harmonic_deg"`
}

// UnmarshalJSON takes "small-fan" and 1, a spread of track in mm, as well as
// {"track_spread_mm": 1}.
func (t *Tolerance) UnmarshalJSON(b []byte) error {
	switch {
	case len(b) > 0 && b[0] == '"':
		return json.Unmarshal(b, &t.Preset)
	case len(b) > 0 && b[0] != '{':
		return json.Unmarshal(b, &t.TrackSpreadMM)
	}
	type plain Tolerance
	return json.Unmarshal(b, (*plain)(t))
}

// oneOrMore is a figure or a list of them.
type oneOrMore []float64

func (o *oneOrMore) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '[' {
		return json.Unmarshal(b, (*[]float64)(o))
	}
	if string(b) == "null" {
		return nil
	}
	*o = make([]float64, 1)
	return json.Unmarshal(b, &(*o)[0])
}

// MostBytes is more than any survey needs.
const MostBytes = 1 << 20

// Parse reads a survey. Keys it does not know are kept in mind and told.
func Parse(data []byte) (*File, error) {
	f := new(File)
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")) // some editors put this mark before UTF-8
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		return nil, errors.New("the survey cannot be read: it is a text in UTF-16; save it as UTF-8")
	}
	if err := json.Unmarshal(data, f); err != nil {
		return nil, fmt.Errorf("the survey cannot be read: %s", plainly(err, data))
	}
	var all map[string]json.RawMessage
	if err := json.Unmarshal(data, &all); err != nil {
		return nil, errors.New("the survey cannot be read: it must be one JSON object")
	}
	known := fileKeys()
	for k := range all {
		if !known[k] {
			f.ignored = append(f.ignored, k)
		}
	}
	slices.Sort(f.ignored)
	return f, nil
}

// plainly says where a JSON mistake is.
func plainly(err error, data []byte) string {
	var syn *json.SyntaxError
	var typ *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syn):
		at := min(int(syn.Offset), len(data))
		return fmt.Sprintf("line %d is not JSON (%v); correct it there", 1+bytes.Count(data[:at], []byte("\n")), syn)
	case errors.As(err, &typ):
		at := min(int(typ.Offset), len(data))
		return fmt.Sprintf("line %d: %q must not be a %s; correct it there", 1+bytes.Count(data[:at], []byte("\n")), typ.Field, typ.Value)
	}
	return err.Error()
}

// Survey turns the file into a survey in SI, which must hold a reading.
func (f *File) Survey() (*blades.Survey, error) {
	s, err := f.begin()
	if err == nil && len(s.Readings) == 0 {
		err = errors.New("the survey holds no reading: give track_mm, pitch_deg or readings with leading_mm and trailing_mm for each blade")
	}
	return s, err
}

// begin is Survey of a file that may still be without readings.
func (f *File) begin() (*blades.Survey, error) {
	n := f.Blades
	if n == 0 {
		n = max(len(f.TrackMM), len(f.PitchDeg))
	}
	s := &blades.Survey{Blades: n, Blade1: f.Convention.Radians(f.Blade1Deg), Numbering: f.Numbering,
		TipRadius: f.TipRadiusMM * mm, HubRadius: f.HubRadiusMM * mm, CGRadius: f.CGRadiusMM * mm, ReadRadius: f.ReadRadiusMM * mm,
		Chord: f.ChordMM * mm, CGOffset: f.CGOffsetMM * mm,
		Speed: rotor.RadPerSecond(f.SpeedRPM), FlapHz: f.FlapHz, Density: f.Density,
		TipClearance: f.Clearance * mm, Setting: f.SettingDeg * degree,
		Adjustable: f.Adjustable, Separable: f.Separable, Cracked: f.Cracked,
		DepthSD: f.DepthErrorMM * mm, AngleSD: f.AngleErrorDeg * degree,
		TrackMax: f.MaxTrackMM * mm, PitchMax: f.MaxPitchDeg * degree, Steps: [2]float64{f.StepTrackMM * mm, f.StepPitchDeg * degree}}
	if a := f.Air; a != nil {
		if s.Speed == 0 {
			return nil, errors.New("air is given without speed_rpm, so its moment cannot be compared with unbalance: state the speed")
		}
		s.Air = blades.StatedAir(a.Moment/degree, a.Side*1e-6/degree, a.Lead*degree, s.Speed)
	}
	for _, a := range f.AnglesDeg {
		s.Angles = append(s.Angles, a*degree)
	}
	if err := f.words(s); err != nil {
		return nil, err
	}
	return s, f.readings(s)
}

// words reads the keys that are words.
func (f *File) words(s *blades.Survey) (err error) {
	if f.DepthGrows != "" {
		if s.Side, err = blades.ParseSide(f.DepthGrows); err != nil {
			return err
		}
	}
	if s.Material, err = blades.ParseMaterial(f.Material); err != nil {
		return err
	}
	s.Limits, err = f.Tolerance.limits(s.TipRadius)
	return err
}

// limits fills what is not given: from the preset, or from the practice of small
// fans; a first harmonic goes with its spread.
func (t Tolerance) limits(tipRadius float64) (blades.Tolerance, error) {
	if t == (Tolerance{}) {
		return blades.Tolerance{}, nil // Judge takes its default, and says so
	}
	out := blades.DefaultTolerance(tipRadius)
	if t.Preset != "" {
		var err error
		if out, err = blades.ByName(t.Preset); err != nil {
			return out, err
		}
	} else {
		out.Name, out.Practice = "own", false
		out.Source = "given with the survey; what was not given is " + out.Source
	}
	set := func(spread, harmonic *float64, s, h float64) {
		if s != 0 {
			*spread, *harmonic = s, s/2
		}
		if h != 0 {
			*harmonic = h
		}
	}
	set(&out.TrackSpread, &out.TrackHarmonic, t.TrackSpreadMM*mm, t.TrackHarmonicMM*mm)
	set(&out.PitchSpread, &out.PitchHarmonic, t.PitchSpreadDeg*degree, t.PitchHarmonicDeg*degree)
	return out, nil
}

// readings gathers the three ways of writing them down.
func (f *File) readings(s *blades.Survey) error {
	add := func(blade int, k blades.Kind, v *float64, unit float64, confirmed bool) {
		if v != nil {
			s.Readings = append(s.Readings, blades.Reading{Blade: blade, Kind: k, Value: *v * unit, Confirmed: confirmed})
		}
	}
	for _, l := range []struct {
		name string
		v    []*float64
		kind blades.Kind
		unit float64
	}{{"track_mm", f.TrackMM, blades.Depth, mm}, {"pitch_deg", f.PitchDeg, blades.Incline, degree},
		{"blade_mass_g", f.masses(), blades.Mass, 1e-3}, {"moment_weight_g_mm", pointers(f.MomentGMM), blades.Moment, 1e-6}} {
		if len(l.v) != 0 && len(l.v) != s.Blades {
			return fmt.Errorf("%s has %d values for %d blades: give one for each blade, and null for a blade that was not read", l.name, len(l.v), s.Blades)
		}
		for i, v := range l.v {
			add(i+1, l.kind, v, l.unit, false)
		}
	}
	if len(f.BladeMassG) == 1 {
		s.BladeMass = f.BladeMassG[0] * 1e-3
	}
	for _, r := range f.Readings {
		add(r.Blade, blades.Leading, r.LeadingMM, mm, r.Confirmed)
		add(r.Blade, blades.Trailing, r.TrailingMM, mm, r.Confirmed)
		add(r.Blade, blades.Depth, r.TrackMM, mm, r.Confirmed)
		add(r.Blade, blades.Incline, r.PitchDeg, degree, r.Confirmed)
		add(r.Blade, blades.Mass, r.MassG, 1e-3, r.Confirmed)
		add(r.Blade, blades.Moment, r.MomentGMM, 1e-6, r.Confirmed)
	}
	return nil
}

// masses are the single figures, if there is more than one.
func (f *File) masses() []*float64 {
	if len(f.BladeMassG) < 2 {
		return nil
	}
	return pointers(f.BladeMassG)
}

func pointers(v []float64) (out []*float64) {
	for i := range v {
		out = append(out, &v[i])
	}
	return out
}

// planes in SI.
func (f *File) planes() (out []rotor.Plane) {
	for _, p := range f.Planes {
		out = append(out, rotor.Plane{Name: p.Name, Radius: p.RadiusMM * mm, Z: p.ZMM * mm, Cap: p.CapG * 1e-3})
	}
	return out
}

// influence per kg, as phasors.
func (f *File) influence() (out [][]complex128) {
	for _, row := range f.Influence {
		var r []complex128
		for _, v := range row {
			r = append(r, f.Convention.Phasor(v.Amplitude*1e3, v.PhaseDeg))
		}
		out = append(out, r)
	}
	return out
}

// unknownKeys is told, so that a typing error does not pass as "not known".
func (f *File) unknownKeys() []blades.Verdict {
	if len(f.ignored) == 0 {
		return nil
	}
	return note("key-ignored", "Not known and ignored: %s. Check the spelling.", strings.Join(f.ignored, ", "))
}
