package web

import (
	"fmt"
	"math"
	"net/http"
	"slices"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
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

func picturesOf(snap *station.Snapshot) Pictures {
	var p Pictures
	if len(snap.Spectra) > 0 {
		p.Spectrum = snap.SpectrumSerial
	}
	if snap.Waveform != nil {
		p.Waveform = snap.Waveform.Serial
	}
	return p
}

// quantityScale is the scale in which a quantity is drawn for a view: the
// view's own where it fits, else the quantity's usual unit and peak values.
func quantityScale(q rotor.Quantity, v View) Scale {
	if q == v.Scale.Unit.Quantity {
		return v.Scale
	}
	name := rotor.DefaultUnit(q).Name
	if v.inches() {
		name = map[rotor.Quantity]string{rotor.Acceleration: "g", rotor.Velocity: "in/s", rotor.Displacement: "mil"}[q]
	}
	return scale(name, rotor.Peak)
}

// spectrumOf draws a channel's spectrum in the view's quantity; a raw channel
// stays raw.
func spectrumOf(m rotor.Machine, snap *station.Snapshot, channel string, v View) (*Spectrum, bool) {
	if snap == nil {
		return nil, false
	}
	for _, raw := range snap.Spectra {
		if raw.Channel != channel {
			continue
		}
		sc := v.Scale
		sp, err := raw.In(sc.Unit.Quantity)
		if err != nil {
			sc, sp = scale("raw", rotor.Peak), raw
		}
		hz := 0.0
		if snap.Motion == station.Turning {
			hz = finiteOr(snap.Speed/(2*math.Pi), 0)
		}
		out := &Spectrum{Schema: 1, Channel: channel, Unit: sc.Label(), StepHz: sp.Step, SpeedHz: hz, Axes: axesAt(hz),
			Lines: make([]float64, len(sp.Peak)), Peaks: peaksOf(sp, m, snap, sc),
			Note: fmt.Sprintf(say("spectrum.note"), sp.Blocks, sp.Window, sp.Step)}
		for i, p := range sp.Peak {
			out.Lines[i] = finiteOr(round(p*sc.factor(), 3), 0)
		}
		return out, true
	}
	return nil, false
}

// waveformOf draws the newest piece of a channel's signal in its own quantity.
func waveformOf(snap *station.Snapshot, channel string, v View) (*Waveform, bool) {
	if snap == nil || snap.Waveform == nil || snap.Setup == nil || !(snap.Waveform.Rate > 0) {
		return nil, false
	}
	for i, ch := range snap.Setup.Channels {
		if ch.Name != channel || i >= len(snap.Waveform.Samples) {
			continue
		}
		sc := quantityScale(ch.Quantity, v)
		out := &Waveform{Schema: 1, Channel: channel, Unit: unitText(sc.Unit.Name), Step: 1 / snap.Waveform.Rate, Values: []float64{}, Marks: []float64{}}
		for _, x := range snap.Waveform.Samples[i] {
			out.Values = append(out.Values, finiteOr(round(float64(x)*sc.Unit.PerSI, 4), 0))
		}
		for _, e := range snap.Waveform.Edges {
			out.Marks = append(out.Marks, round(e/snap.Waveform.Rate, 6))
		}
		return out, true
	}
	return nil, false
}

func (s *Server) spectrum(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	s.picture(w, r, st, func(snap *station.Snapshot, channel string) (any, bool) {
		return spectrumOf(st.Config.Machine, snap, channel, v)
	})
}

func (s *Server) waveform(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	s.picture(w, r, st, func(snap *station.Snapshot, channel string) (any, bool) { return waveformOf(snap, channel, v) })
}

// picture answers with what draw makes of the channel that the query names.
func (s *Server) picture(w http.ResponseWriter, r *http.Request, st *Station, draw func(*station.Snapshot, string) (any, bool)) {
	snap, channel := st.Latest(), r.URL.Query().Get("channel")
	if got, ok := draw(snap, channel); ok {
		writeJSON(w, http.StatusOK, got)
		return
	}
	if snap != nil && snap.Setup != nil && !slices.ContainsFunc(snap.Setup.Channels, func(c acq.Channel) bool { return c.Name == channel }) {
		s.fail(w, r, http.StatusNotFound, fmt.Sprintf(say("refused.channel"), channel))
		return
	}
	w.WriteHeader(http.StatusNoContent) // there is such a channel, and nothing to draw yet
}

func (s *Server) state(w http.ResponseWriter, r *http.Request, st *Station) {
	if v, ok := s.view(w, r, st); ok {
		writeJSON(w, http.StatusOK, stateOf(st, st.Latest(), v, s.askOf(st), s.now()))
	}
}
