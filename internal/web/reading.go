package web

import (
	"math"
	"net/http"
	"time"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// Measured is a reading for machines; its keys are a promise.
type Measured struct {
	Schema      int               `json:"schema"`
	Station     string            `json:"station,omitempty"`
	Serial      uint64            `json:"serial,omitempty"`
	At          string            `json:"at,omitempty"`
	SpeedRPM    *float64          `json:"speed_rpm"`
	Revolutions int               `json:"revolutions"`
	Dropped     int               `json:"dropped_revolutions"`
	Convention  rotor.Convention  `json:"convention"`
	Trusted     bool              `json:"trusted"`
	Seen        int               `json:"seen_revolutions"` // whose scatter is in the standard errors
	Normal      string            `json:"speed_normalisation,omitempty"`
	Flags       []MeasuredFlag    `json:"flags"`
	Channels    []MeasuredChannel `json:"channels"`
}

// MeasuredFlag is a reason for less trust.
type MeasuredFlag struct {
	Code  string `json:"code"`
	Text  string `json:"text"`
	Fatal bool   `json:"fatal"`
}

// MeasuredChannel is one sensor.
type MeasuredChannel struct {
	Name     string          `json:"name"`
	Unit     string          `json:"unit"`
	Detector string          `json:"detector"`
	Overall  *float64        `json:"overall"` // see Measures
	Measures string          `json:"overall_detector"`
	BandHz   []float64       `json:"overall_band_hz,omitempty"`
	Refused  string          `json:"refused,omitempty"` // why it gives no orders while others do
	Orders   []MeasuredOrder `json:"orders"`
}

// MeasuredOrder is one order. The standard error is that of one axis of the
// phasor, in the unit and detector of the channel.
type MeasuredOrder struct {
	Order         int      `json:"order"`
	Amplitude     *float64 `json:"amplitude"`
	PhaseDeg      *float64 `json:"phase_deg"`
	StandardError *float64 `json:"standard_error"`
	PhaseErrorDeg *float64 `json:"phase_standard_error_deg"`

	Normal *phase.NormalFigures `json:"speed_normalisation,omitempty"`
}

// reading answers with the newest rolling reading. Without a query it is in
// the unit and convention of the station, never in those of a cookie: what a
// program asks must not depend on what a person clicked.
func (s *Server) reading(w http.ResponseWriter, r *http.Request, st *Station) {
	v := defaultView(st)
	if err := v.set(r.URL.Query()); err != nil {
		s.fail(w, r, http.StatusBadRequest, err.Error())
		return
	}
	writeJSON(w, http.StatusOK, measuredOf(st, st.Latest(), v))
}

func measuredOf(st *Station, snap *station.Snapshot, v View) Measured {
	m := Measured{Schema: 1, Station: st.Name(), Convention: v.Convention,
		Flags: []MeasuredFlag{}, Channels: []MeasuredChannel{}}
	if snap == nil {
		return m
	}
	m.Serial = snap.Serial
	if !snap.At.IsZero() {
		m.At = snap.At.UTC().Format(time.RFC3339Nano)
	}
	if snap.Motion == station.Turning && snap.Speed > 0 {
		m.SpeedRPM = orNil(rotor.RPM(snap.Speed))
	}
	rd := snap.Reading
	if rd != nil {
		m.SpeedRPM, m.Revolutions = orNil(rotor.RPM(rd.Speed)), rd.Turns
		m.Trusted = rd.Trusted() && snap.Link.Up
		m.Seen, m.Normal = rd.Seen, rd.Normal
		for _, n := range rd.Dropped {
			m.Dropped += n
		}
		for _, f := range rd.Flags {
			m.Flags = append(m.Flags, MeasuredFlag(f))
		}
	}
	if snap.Setup == nil {
		return m
	}
	for i, ch := range snap.Setup.Channels {
		c := MeasuredChannel{Name: ch.Name, Unit: v.Scale.Unit.Name, Detector: v.Scale.Detector.String(), Orders: []MeasuredOrder{}}
		if ch.Quantity == rotor.Raw {
			c.Unit, c.Detector = "raw", rotor.Peak.String()
		}
		c.overall(snap, v)
		if rd != nil && i < len(rd.Channels) {
			c.Refused = rd.Channels[i].Refused
			for _, o := range rd.Channels[i].Orders {
				if one, _, ok := v.component(rd, i, o.Order); ok {
					c.Orders = append(c.Orders, measuredOrder(one, v))
				}
			}
		}
		m.Channels = append(m.Channels, c)
	}
	return m
}

func measuredOrder(c phase.Component, v View) MeasuredOrder {
	_, deg := v.Convention.Polar(c.Value)
	m := MeasuredOrder{Order: c.Order, Amplitude: orNil(c.Amplitude()), StandardError: orNil(c.StandardError()), Normal: c.Normal.Figures()}
	if c.HasPhase() {
		m.PhaseDeg, m.PhaseErrorDeg = orNil(deg), orNil(c.PhaseSD()*180/math.Pi)
	}
	return m
}

// overall fills in the broadband level: rms of a velocity or of a raw signal,
// peak-to-peak of a displacement.
func (c *MeasuredChannel) overall(snap *station.Snapshot, v View) {
	c.Measures = rotor.RMS.String()
	for _, l := range snap.Levels {
		switch {
		case l.Channel != c.Name:
			continue
		case l.Quantity == rotor.Raw:
			c.Overall = orNil(l.RMS)
			return
		case v.Scale.Unit.Quantity == rotor.Displacement:
			c.Overall, c.Measures = orNil(l.Displacement*v.Scale.Unit.PerSI), rotor.PeakToPeak.String()
		default:
			c.Overall = orNil(l.Velocity * v.Scale.Unit.PerSI)
		}
		c.BandHz = []float64{l.Low, l.High}
	}
}
