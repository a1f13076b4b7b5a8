package trace

import (
	"errors"

	"counterpoise/internal/phase/sweep"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum/poweroff"
)

// SpeedAnswer is what a change of speed told, as JSON. A part that could not be
// answered is left out, and the sentence beside it says why.
type SpeedAnswer struct {
	Schema     int              `json:"schema"`
	Convention rotor.Convention `json:"convention"`
	Sweep      *Sweep           `json:"sweep,omitempty"`
	NoSweep    string           `json:"sweep_refused,omitempty"`
	PowerOff   *PowerOff        `json:"power_off,omitempty"`
	NoPowerOff string           `json:"power_off_refused,omitempty"`
}

// Sweep is what the vectors said of resonances.
type Sweep struct {
	FromRPM    float64        `json:"from_rpm"`
	ToRPM      float64        `json:"to_rpm"`
	Turns      int            `json:"turns"`
	Resonances []Resonance    `json:"resonances"`
	AtRPM      float64        `json:"at_rpm"`
	Verdict    string         `json:"verdict"`
	Text       string         `json:"text"`
	BetterRPM  *float64       `json:"better_rpm"`
	Channels   []SweepChannel `json:"channels"`
	Misfit     float64        `json:"misfit"`
	Notes      []string       `json:"notes"`
}

// Resonance is one mode.
type Resonance struct {
	RPM       float64  `json:"rpm"`
	RPMSE     *float64 `json:"rpm_standard_error"`
	Damping   float64  `json:"damping"`
	DampingSE *float64 `json:"damping_standard_error"`
	Swept     bool     `json:"swept"`
}

// SweepChannel is one channel at the judged speed, and all its turns.
type SweepChannel struct {
	Name       string    `json:"name"`
	Unit       string    `json:"unit"`
	Detector   string    `json:"detector"`
	Slope      float64   `json:"phase_slope_deg_per_percent"`
	SlopeSE    *float64  `json:"phase_slope_standard_error"`
	Exponent   float64   `json:"speed_exponent"` // of the amplitude in this unit
	ExponentSE *float64  `json:"speed_exponent_standard_error"`
	RPM        []float64 `json:"rpm"`
	Amplitude  []float64 `json:"amplitude"`
	PhaseDeg   []float64 `json:"phase_deg"`
}

// PowerOff is what vanished with the current and what followed the speed.
type PowerOff struct {
	OffSeconds float64     `json:"off_s"`
	SpeedRPM   float64     `json:"speed_rpm"`
	SupplyHz   *float64    `json:"supply_hz"`
	SupplySE   *float64    `json:"supply_standard_error_hz"`
	Supply     string      `json:"supply"`
	Slip       *float64    `json:"slip"`
	Components []Component `json:"components"`
	Beats      []Beat      `json:"beats"`
	Notes      []string    `json:"notes"`
}

// Component is one tone of the steady vibration.
type Component struct {
	Kind      string  `json:"kind"`
	Name      string  `json:"name"`
	Hz        float64 `json:"hz"`
	Order     float64 `json:"order"`
	Channel   string  `json:"channel"`
	Unit      string  `json:"unit"`
	Amplitude float64 `json:"amplitude"` // peak, in the channel's own quantity
	Followed  float64 `json:"followed"`
	Stayed    float64 `json:"stayed"`
	Evidence  string  `json:"evidence"`
}

// Beat is two components that are read as one.
type Beat struct {
	A      string  `json:"a"`
	B      string  `json:"b"`
	Period float64 `json:"period_s"`
	Seen   float64 `json:"seen"`
	Enough bool    `json:"enough"`
}

// SpeedResult is a speed trace worked out: the fits, to be written in any View.
type SpeedResult struct {
	Points                   *sweep.Sweep
	Fit                      *sweep.Fit       // nil with FitRefused
	Power                    *poweroff.Result // nil with PowerRefused
	FitRefused, PowerRefused error
}

// SpeedResult works out a speed trace; it takes seconds. No block may come meanwhile.
func (t *Trace) SpeedResult() (*SpeedResult, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case t.cfg.Kind != Speed:
		return nil, errors.New("this trace followed blades, not the speed: ask for what the blades showed")
	case t.setup == nil:
		return nil, errors.New("the source holds no samples, so nothing could be measured: look at the file or the board")
	case !t.setup.HasTach:
		return nil, errors.New("the source has no tach, so nothing can be drawn against speed: put a mark on the fan's shaft and name the tach channel (tach=...)")
	}
	r := &SpeedResult{Points: t.sweep}
	if !t.cfg.NoSweep {
		r.Fit, r.FitRefused = t.sweep.Fit()
	}
	if !t.cfg.NoPower {
		r.Power, r.PowerRefused = t.power.Result()
	}
	return r, nil
}

// Answer writes the result for a View.
func (r *SpeedResult) Answer(v View) *SpeedAnswer {
	a := &SpeedAnswer{Schema: 1, Convention: v.Convention}
	switch {
	case r.FitRefused != nil:
		a.NoSweep = r.FitRefused.Error()
	case r.Fit != nil:
		a.Sweep = sweepAnswer(r.Points, r.Fit, v)
	}
	switch {
	case r.PowerRefused != nil:
		a.NoPowerOff = r.PowerRefused.Error()
	case r.Power != nil:
		a.PowerOff = powerAnswer(r.Power)
	}
	return a
}

func sweepAnswer(sw *sweep.Sweep, f *sweep.Fit, v View) *Sweep {
	at := v.At
	if !(at > 0) {
		at = f.High
	}
	j := f.Judge(at)
	out := &Sweep{FromRPM: rotor.RPM(f.Low), ToRPM: rotor.RPM(f.High), Turns: len(sw.Points), AtRPM: rotor.RPM(at), Verdict: j.Code, Text: j.Text,
		Misfit: f.Misfit, Notes: append([]string{}, f.Notes...), Resonances: []Resonance{}}
	if j.Better > 0 {
		out.BetterRPM = number(rotor.RPM(j.Better))
	}
	for _, k := range f.Modes {
		out.Resonances = append(out.Resonances, Resonance{rotor.RPM(k.Speed), number(rotor.RPM(k.SpeedSD)), k.Damping, number(k.DampingSD), k.Inside})
	}
	for i, p := range j.Places {
		out.Channels = append(out.Channels, sweepChannel(sw, f.Index(i), p, v))
	}
	return out
}

// sweepChannel is channel k of the sweep, judged as p.
func sweepChannel(sw *sweep.Sweep, k int, p sweep.Place, v View) SweepChannel {
	unit, detector := v.shown(p.Quantity)
	c := SweepChannel{Name: p.Channel, Unit: unit.Name, Detector: detector.String(), ExponentSE: number(p.ExponentSD), Exponent: real(p.Slope(unit.Quantity).Rate)}
	slope, sd := p.DegPerPercent()
	if v.Convention == rotor.AgainstRotation {
		slope = -slope
	}
	c.Slope, c.SlopeSE = slope, number(sd)
	speeds, vs := sw.Curve(k, 1)
	for n, z := range vs {
		if p.Quantity != unit.Quantity {
			if w, err := rotor.Convert(z, p.Quantity, unit.Quantity, speeds[n]); err == nil {
				z = w
			}
		}
		amplitude, deg := v.Convention.Polar(z)
		c.RPM, c.Amplitude, c.PhaseDeg = append(c.RPM, rotor.RPM(speeds[n])), append(c.Amplitude, amplitude*unit.PerSI*detector.OfPeak()), append(c.PhaseDeg, deg)
	}
	return c
}

func powerAnswer(r *poweroff.Result) *PowerOff {
	out := &PowerOff{OffSeconds: r.Off, SpeedRPM: rotor.RPM(r.Speed), Supply: r.SupplyName, Slip: number(r.Slip), Notes: append([]string{}, r.Notes...),
		Components: []Component{}, Beats: []Beat{}}
	if r.SupplyHz > 0 {
		out.SupplyHz, out.SupplySE = &r.SupplyHz, &r.SupplySD
	}
	for _, c := range r.Components {
		unit := rotor.DefaultUnit(c.Quantity)
		out.Components = append(out.Components, Component{c.Kind, c.Name, c.Hz, c.Order, c.Channel, unit.Name, c.Amplitude * unit.PerSI, c.Follow, c.Stayed, c.Evidence})
	}
	for _, b := range r.Beats {
		out.Beats = append(out.Beats, Beat{b.A, b.B, b.Period, b.Seen, b.Enough})
	}
	return out
}
