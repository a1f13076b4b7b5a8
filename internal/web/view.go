package web

import (
	"fmt"
	"net/http"
	"net/url"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Scale is one way of writing the amplitude of a vibration.
type Scale struct {
	ID       string
	Unit     rotor.Unit
	Detector rotor.Detector
}

// Scales a person may choose from, the first being the default: velocity as
// rms and displacement as peak-to-peak are common practice in metric
// countries, velocity as peak where inches are used.
var Scales = []Scale{
	scale("mm/s", rotor.RMS), scale("in/s", rotor.Peak),
	scale("um", rotor.PeakToPeak), scale("mil", rotor.PeakToPeak),
}

func scale(unit string, d rotor.Detector) Scale {
	u, err := rotor.ParseUnit(unit)
	if err != nil {
		panic(err) // a programmer's slip in the table above
	}
	return Scale{ID: unit, Unit: u, Detector: d}
}

// Label is the unit and the detector as people read them.
func (s Scale) Label() string { return unitText(s.Unit.Name) + " " + s.Detector.String() }

func (s Scale) factor() float64 { return s.Unit.PerSI * s.Detector.OfPeak() }

// inches reports whether lengths are in inches.
func (v View) inches() bool { return v.Scale.ID == "in/s" || v.Scale.ID == "mil" }

// level is the scale for a broadband level, which has no phase and cannot be
// carried from one quantity to another: velocity, rms, in the system's length.
func (s Scale) level() Scale {
	if (View{Scale: s}).inches() {
		return scale("in/s", rotor.RMS)
	}
	return scale("mm/s", rotor.RMS)
}

// unitText writes a unit as people do.
func unitText(name string) string {
	switch name {
	case "um":
		return "µm"
	case "m/s^2":
		return "m/s²"
	}
	return name
}

// View is how one person reads numbers.
type View struct {
	Scale      Scale
	Convention rotor.Convention
}

// viewOf takes the view from the query, else from the cookie, else the default.
func viewOf(r *http.Request, def View) (View, error) {
	v := def
	if c, err := r.Cookie(viewCookie); err == nil {
		if q, err := url.ParseQuery(c.Value); err == nil {
			v.set(q) // what an old cookie cannot say stays at its default
		}
	}
	err := v.set(r.URL.Query())
	return v, err
}

func (v *View) set(q url.Values) error {
	if id := q.Get("scale"); id != "" {
		s, err := parseScale(id)
		if err != nil {
			return err
		}
		v.Scale = s
	}
	if id := q.Get("convention"); id != "" {
		c, err := rotor.ParseConvention(id)
		if err != nil {
			return err
		}
		v.Convention = c
	}
	return nil
}

func parseScale(id string) (Scale, error) {
	for _, s := range Scales {
		if s.ID == id {
			return s, nil
		}
	}
	return Scale{}, fmt.Errorf(say("settings.scale.wrong"), id)
}

// component is one order of a channel in the view's unit; raw channels stay raw
// peak values. ok is false where there is nothing to show.
func (v View) component(r *phase.Reading, channel, order int) (c phase.Component, unit string, ok bool) {
	if channel < len(r.Channels) && r.Channels[channel].Quantity == rotor.Raw {
		c, ok = r.In(channel, order, rotor.Raw)
		return c, "raw peak", ok
	}
	c, ok = r.In(channel, order, v.Scale.Unit.Quantity)
	f := v.Scale.factor()
	c.Value *= complex(f, 0)
	c.Cov = c.Cov.Scale(f * f)
	return c, v.Scale.Label(), ok
}
