package web

import (
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// ChannelState is one sensor.
type ChannelState struct {
	Name      string  `json:"name"`
	Direction string  `json:"direction,omitempty"`
	Amplitude Amount  `json:"amplitude"` // at 1x
	Phase     Amount  `json:"phase"`     // degrees in the view's convention
	Scatter   Amount  `json:"scatter"`   // of the phase from turn to turn, degrees, one standard deviation
	Vector    *Vector `json:"vector"`    // null where there is no 1x
	Overall   Amount  `json:"overall"`
	Zone      string  `json:"zone,omitempty"` // severity zone A..D
	Orders    []Line  `json:"orders,omitempty"`
	Tolerance float64 `json:"tolerance,omitempty"` // in the amplitude's unit, 0 = none given
}

// Vector is the 1x phasor as it is drawn: X towards the mark, Y 90 degrees
// ahead of it in the direction of rotation, in the amplitude's unit. The axes of
// the 95 % region are half-lengths; Angle (degrees) turns the major one from X.
type Vector struct {
	X      float64 `json:"x"`
	Y      float64 `json:"y"`
	Major  float64 `json:"major"`
	Minor  float64 `json:"minor"`
	Angle  float64 `json:"angle"`
	Region bool    `json:"region"` // false: uncertainty not known
}

func channelsOf(st *Station, snap *station.Snapshot, v View) []ChannelState {
	out := []ChannelState{}
	if snap.Setup == nil {
		return out
	}
	for i, ch := range snap.Setup.Channels {
		c := ChannelState{Name: ch.Name, Amplitude: unknown(v.Scale.Label()), Phase: unknown("°"), Scatter: unknown("°"),
			Overall: unknown(v.Scale.level().Label())}
		if conf, ok := st.channel(ch.Name); ok {
			c.Direction = conf.Direction
			if ch.Quantity != rotor.Raw && conf.Tolerance > 0 {
				c.Tolerance = toleranceIn(v, conf.Tolerance, snap.Speed)
			}
		}
		if snap.Reading != nil {
			oneX(&c, snap.Reading, i, v)
			c.Orders = ordersOf(snap.Reading, i, v)
		}
		if i < len(snap.PhaseScatter) {
			c.Scatter = plain(snap.PhaseScatter[i]*180/math.Pi, 2, "°")
		}
		levelOf(&c, st.Config.Machine, snap, i, v)
		out = append(out, c)
	}
	return out
}

// toleranceIn writes a tolerance (m/s peak at 1x) in the view's unit; 0 where
// the speed that it takes is not known.
func toleranceIn(v View, peak, speed float64) float64 {
	z, err := rotor.Convert(complex(peak, 0), rotor.Velocity, v.Scale.Unit.Quantity, speed)
	if err != nil {
		return 0
	}
	return finiteOr(cmplx.Abs(z)*v.Scale.factor(), 0)
}

// oneX fills in amplitude, phase and vector of order one. A phasor too close to
// its own uncertainty has no phase to speak of, and none is given.
func oneX(out *ChannelState, r *phase.Reading, channel int, v View) {
	c, unit, ok := v.component(r, channel, 1)
	if !ok || cmplx.IsNaN(c.Value) || cmplx.IsInf(c.Value) {
		return
	}
	out.Amplitude, out.Phase = amountsOf(c, unit, v)
	out.Vector = &Vector{X: real(c.Value), Y: imag(c.Value)}
	if major, minor, angle := c.Region95(); finite(major) && major > 0 {
		out.Vector.Major, out.Vector.Minor, out.Vector.Region = major, minor, true
		out.Vector.Angle = angle * 180 / math.Pi
	}
}

// amountsOf writes amplitude and phase with the extent of the 95 % region along
// and across the phasor.
func amountsOf(c phase.Component, unit string, v View) (amplitude, angle Amount) {
	amp, deg := v.Convention.Polar(c.Value)
	k := math.Sqrt(phase.EllipseLimit(0.95, c.DoF))
	lead := cmplx.Phase(c.Value)
	amplitude, angle = measured(c.Amplitude(), k*math.Sqrt(c.Cov.Along(lead)), unit), unknown("°")
	if across := k * math.Sqrt(c.Cov.Along(lead+math.Pi/2)); c.HasPhase() && across < amp {
		half := math.Asin(across/amp) * 180 / math.Pi
		p := math.Pow(10, float64(places(half)))
		angle = measured(rotor.WrapDegrees(math.Round(deg*p)/p), half, "°") // never 360.0
	}
	return amplitude, angle
}

// ordersOf lists the orders above the first, in words for a table.
func ordersOf(r *phase.Reading, channel int, v View) []Line {
	var out []Line
	if channel >= len(r.Channels) {
		return nil
	}
	for _, o := range r.Channels[channel].Orders {
		c, unit, ok := v.component(r, channel, o.Order)
		if !ok || o.Order == 1 {
			continue
		}
		amp, deg := amountsOf(c, unit, v)
		text := both(amp) + " " + unit
		if deg.Value != nil {
			text += ", " + both(deg) + "°"
		}
		out = append(out, Line{fmt.Sprintf("%dx", o.Order), text})
	}
	return out
}

// both is a number and its uncertainty in one line.
func both(a Amount) string {
	if a.Error == "" {
		return a.Text
	}
	return a.Text + " ± " + a.Error
}
