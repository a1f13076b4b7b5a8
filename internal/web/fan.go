package web

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"time"

	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
)

// Fan is the control of a virtual fan; a *rig.Rig is one. A station on a real
// machine has none, and then the page shows no switch of any kind.
type Fan interface {
	Start() error
	Stop()
	Fit(total []rotor.Weight) error
	Bend(blade int, trackMetres, pitchRad, massKg float64) error
	Unplug(time.Duration)
	State() rig.State
	Planes() []rotor.Plane
}

// cableOut is how long the cable stays out when a person pulls it.
const cableOut = 5 * time.Second

// FanState is the virtual fan as the page shows it, angles in the view's
// convention.
type FanState struct {
	Schema   int         `json:"schema"`
	Motion   string      `json:"motion"`
	Word     string      `json:"word"`
	Speed    Amount      `json:"speed"` // rpm
	SupplyOn bool        `json:"supply_on"`
	Plugged  bool        `json:"plugged"`
	Weights  []FanWeight `json:"weights"`
	Blades   []FanBlade  `json:"blades"`
	Planes   []FanPlane  `json:"planes"`
}

// FanWeight is a weight on the virtual rotor.
type FanWeight struct {
	Plane    string  `json:"plane"`
	MassG    float64 `json:"mass_g"`
	AngleDeg float64 `json:"angle_deg"`
}

// FanBlade is a blade of it.
type FanBlade struct {
	Blade    int     `json:"blade"`
	TrackMM  float64 `json:"track_mm"`
	PitchDeg float64 `json:"pitch_deg"`
	MassG    float64 `json:"mass_g"`
}

// FanPlane is a place for weights.
type FanPlane struct {
	Name      string        `json:"name"`
	Positions []FanPosition `json:"positions"`
}

// FanPosition is a numbered hole.
type FanPosition struct {
	Number   int     `json:"number"`
	AngleDeg float64 `json:"angle_deg"`
}

func fanStateOf(f Fan, v View) FanState {
	s := f.State()
	out := FanState{Schema: 1, Motion: string(s.Motion), Word: say("rig." + string(s.Motion)), SupplyOn: s.SupplyOn,
		Plugged: s.Plugged, Speed: plain(rotor.RPM(s.Speed), 5, "rpm"),
		Weights: []FanWeight{}, Blades: []FanBlade{}, Planes: []FanPlane{}}
	for _, w := range s.Weights {
		out.Weights = append(out.Weights, FanWeight{w.Plane, round(w.Mass*1e3, 5), round(v.Convention.Degrees(w.Angle), 5)})
	}
	for _, b := range s.Blades {
		out.Blades = append(out.Blades, FanBlade{b.Number, round(b.Track*1e3, 4), round(b.Pitch*180/math.Pi, 4), round(b.Mass*1e3, 4)})
	}
	for _, p := range f.Planes() {
		plane := FanPlane{Name: p.Name, Positions: []FanPosition{}}
		for _, at := range p.Positions {
			if !at.Forbidden {
				plane.Positions = append(plane.Positions, FanPosition{at.Number, round(v.Convention.Degrees(at.Angle), 5)})
			}
		}
		out.Planes = append(out.Planes, plane)
	}
	return out
}

// fanRequest is what a person asks of the virtual fan.
type fanRequest struct {
	Do       string  `json:"do"` // start, stop, fit, clear, bend or unplug
	Plane    string  `json:"plane"`
	MassG    float64 `json:"mass_g"` // of the weight to fit; of the blade to bend, 0 = as it is
	AngleDeg float64 `json:"angle_deg"`
	Blade    int     `json:"blade"`
	TrackMM  float64 `json:"track_mm"`
	PitchDeg float64 `json:"pitch_deg"`
}

func (s *Server) fanState(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok || !s.hasFan(w, r, st) {
		return
	}
	writeJSON(w, http.StatusOK, fanStateOf(st.Fan, v))
}

func (s *Server) hasFan(w http.ResponseWriter, r *http.Request, st *Station) bool {
	if st.Fan == nil {
		s.fail(w, r, http.StatusNotFound, say("rig.none"))
	}
	return st.Fan != nil
}

// fanAct does what was asked, or answers with the sentence that says why not.
func (s *Server) fanAct(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok || !s.hasFan(w, r, st) {
		return
	}
	var q fanRequest
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	if err := d.Decode(&q); err != nil {
		code, text := tooMuch(err)
		s.fail(w, r, code, text)
		return
	}
	was := st.Fan.State().Blades
	err := fanDo(st.Fan, q, v)
	if err == nil && q.Do == "bend" {
		err = s.desk.bent(st, was, st.Fan.State().Blades)
	}
	if err != nil {
		s.fail(w, r, http.StatusConflict, err.Error())
		return
	}
	s.log.Info("virtual fan", "station", st.Name(), "do", q.Do)
	writeJSON(w, http.StatusOK, fanStateOf(st.Fan, v))
}

func fanDo(f Fan, q fanRequest, v View) error {
	switch q.Do {
	case "start":
		return f.Start()
	case "stop":
		f.Stop()
		return nil
	case "fit":
		w := rotor.Weight{Plane: q.Plane, Mass: q.MassG * 1e-3, Angle: v.Convention.Radians(q.AngleDeg)}
		return f.Fit(append(f.State().Weights, w))
	case "clear":
		return f.Fit(nil)
	case "bend":
		return f.Bend(q.Blade, q.TrackMM*1e-3, q.PitchDeg*math.Pi/180, q.MassG*1e-3)
	case "unplug":
		f.Unplug(cableOut)
		return nil
	}
	return fmt.Errorf("the virtual fan cannot %q: it knows start, stop, fit, clear, bend and unplug", q.Do)
}
