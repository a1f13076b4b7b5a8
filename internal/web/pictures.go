package web

import (
	"fmt"
	"net/http"

	"counterpoise/internal/station"
)

// Pictures tells the page which picture is new, so that it fetches those that
// are in sight and no others. Zero means that there is none.
type Pictures struct {
	Spectrum uint64 `json:"spectrum"`
	Waveform uint64 `json:"waveform"`
}

// Spectrum is the averaged spectrum of one channel as it is drawn.
type Spectrum struct {
	Schema  int       `json:"schema"`
	Channel string    `json:"channel"`
	Unit    string    `json:"unit"`
	StepHz  float64   `json:"step_hz"`
	Lines   []float64 `json:"lines"` // line i stands at i*StepHz
	SpeedHz float64   `json:"speed_hz"`
	Axes    []Axis    `json:"axes"`
	Peaks   []Peak    `json:"peaks"`
	Note    string    `json:"note"`
}

// Axis is one way of counting frequency.
type Axis struct {
	ID    string  `json:"id"`
	Label string  `json:"label"`
	PerHz float64 `json:"per_hz"`
}

// axesAt lists the axes at a speed in Hz; without a speed there are no orders.
func axesAt(speedHz float64) []Axis {
	a := []Axis{{"hz", say("spectrum.hz"), 1}, {"cpm", say("spectrum.cpm"), 60}}
	if speedHz > 0 {
		a = append(a, Axis{"orders", say("spectrum.orders"), 1 / speedHz})
	}
	return a
}

// Peak is a peak with a name and the reason for it.
type Peak struct {
	Hz    float64 `json:"hz"`
	Level float64 `json:"level"`
	Text  string  `json:"text"`
	Name  string  `json:"name"`
	Short string  `json:"short,omitempty"` // for the picture: 1x, 2x, BP, L
	Why   string  `json:"why"`
}

// Waveform is the newest piece of a channel's signal with the passings of the
// mark, on the board's clock.
type Waveform struct {
	Schema  int       `json:"schema"`
	Channel string    `json:"channel"`
	Unit    string    `json:"unit"`
	Step    float64   `json:"step_s"`
	Values  []float64 `json:"values"`
	Marks   []float64 `json:"marks_s"`
}

var picturesOf = func(*Station, *station.Snapshot) Pictures { return Pictures{} }

var spectrumOf = func(*Station, *station.Snapshot, string, View) (*Spectrum, bool) { return nil, false }

var waveformOf = func(*Station, *station.Snapshot, string) (*Waveform, bool) { return nil, false }

func levelOf(*ChannelState, *Station, *station.Snapshot, int, View) {}

func (s *Server) spectrum(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	got, ok := spectrumOf(st, st.Latest(), r.URL.Query().Get("channel"), v)
	s.picture(w, r, got, ok, "spectrum")
}

func (s *Server) waveform(w http.ResponseWriter, r *http.Request, st *Station) {
	got, ok := waveformOf(st, st.Latest(), r.URL.Query().Get("channel"))
	s.picture(w, r, got, ok, "waveform")
}

func (s *Server) picture(w http.ResponseWriter, r *http.Request, got any, ok bool, name string) {
	if !ok {
		s.fail(w, r, http.StatusNotFound, fmt.Sprintf(say("refused.nothing"), name))
		return
	}
	writeJSON(w, http.StatusOK, got)
}

func (s *Server) state(w http.ResponseWriter, r *http.Request, st *Station) {
	if v, ok := s.view(w, r, st); ok {
		writeJSON(w, http.StatusOK, stateOf(st, st.Latest(), v, s.ask, s.now()))
	}
}
