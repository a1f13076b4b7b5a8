package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/phase/sweep"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum/poweroff"
)

// speedTask is what measure does when the speed is the witness: a run-up or
// coast-down (--sweep), a switching off (--power-off), or both at once.
type speedTask struct {
	sweep, powerOff bool
	at              float64 // rpm to judge; 0 = the highest steady one
	motor, belt     float64 // turns for one of the fan
	picture         string  // file for the picture; empty = none
}

func (s *speedTask) wanted() bool { return s.sweep || s.powerOff }

func (s *speedTask) options(o options) {
	o.BoolVar(&s.sweep, "sweep", false, "a run-up or coast-down: resonances, damping, and whether to balance at the running speed")
	o.BoolVar(&s.powerOff, "power-off", false, "a switching off: what vanishes with the current and what follows the speed")
	o.Float64Var(&s.at, "at", 0, "with --sweep: the speed in rpm to judge (the highest that was swept)")
	o.Float64Var(&s.motor, "motor-ratio", 0, "with --power-off: turns of the motor for one of the fan, where a belt or gear lies between")
	o.Float64Var(&s.belt, "belt-ratio", 0, "with --power-off: turns of the belt for one of the fan")
	o.StringVar(&s.picture, "picture", "", "with --sweep: write the Bode and polar picture to this SVG file")
}

const (
	speedSeconds = 180 // of a live source, unless --for says otherwise or the rotor stands earlier
	rigSteady    = 12  // s for which a virtual fan runs before it is switched off
	rigPace      = 8   // times as fast as a wall clock
)

// runSpeed feeds a source to what was asked for. A live source is followed until
// the rotor stands; the person at the switch is told when.
func (m *measurement) runSpeed(ctx context.Context, e env, source string) error {
	src, throw, err := openToSwitch(ctx, e, source)
	if err != nil {
		return err
	}
	defer src.Close()
	if m.length == 0 && isLive(source) {
		m.length = speedSeconds
	}
	x := phase.NewExtractor(phase.Config{Orders: m.orders})
	test := poweroff.New(poweroff.Config{Blades: m.blades, Motor: m.speed.motor, Belt: m.speed.belt})
	var sw *sweep.Sweep
	var setup *acq.Setup
	var first uint64
	turned := false
	for {
		block, err := src.Next(ctx)
		if errors.Is(err, io.EOF) || errors.Is(err, context.Canceled) && setup != nil {
			break
		}
		if err != nil {
			return err
		}
		if setup == nil {
			first = block.Tick
		}
		if setup != block.Setup {
			setup = block.Setup
			sw = sweep.New(setup, x.Orders())
		}
		at := float64(int64(block.Tick-first)) / setup.TickHz
		if at < m.from {
			continue
		}
		x.Add(block, sw.Add)
		if m.speed.powerOff {
			test.Add(block)
		}
		throw(at)
		motion := x.State().Motion
		turned = turned || motion == phase.Turning
		if m.length > 0 && at-m.from > m.length || isLive(source) && turned && motion == phase.Still && len(sw.Points) > 100 {
			break
		}
	}
	if setup == nil {
		return errors.New("the source holds no samples, so nothing could be measured: look at the file or the board")
	}
	if !setup.HasTach {
		return errors.New("the source has no tach, so nothing can be drawn against speed: put a mark on the fan's shaft and name the tach channel (tach=...)")
	}
	return m.answerSpeed(e, sw, test)
}

// openToSwitch opens a source; a virtual fan is switched off by throw once it
// has run at speed for a while, everybody else is asked to do it.
func openToSwitch(ctx context.Context, e env, source string) (acq.Source, func(at float64), error) {
	name, ok := strings.CutPrefix(source, "rig:")
	if !ok {
		if isLive(source) {
			fmt.Fprintln(e.stderr, "Guards on, everyone out of the plane of rotation. Let it run steadily for 15 s, switch it off, and keep away until it stands: this ends by itself then.")
		}
		src, err := openSource(ctx, source, acq.Options{Stdin: e.stdin})
		return src, func(float64) {}, err
	}
	r, err := rig.New(name, 1)
	if err == nil {
		err = r.SetPace(rigPace)
	}
	if err == nil {
		err = r.Start()
	}
	if err != nil {
		return nil, nil, err
	}
	word, err := serveRig(ctx, r, "")
	if err != nil {
		return nil, nil, err
	}
	src, err := acq.Open(word, acq.Options{Hold: true}) // faster than a clock: it waits for us
	steady := math.Inf(1)
	return src, func(at float64) {
		switch {
		case math.IsInf(steady, 1) && r.State().AtSpeed:
			steady = at
		case at > steady+rigSteady:
			r.Stop()
		}
	}, err
}

// speedAnswer is the answer of measure --sweep and --power-off as JSON.
type speedAnswer struct {
	Schema     int              `json:"schema"`
	Convention rotor.Convention `json:"convention"`
	Sweep      *sweepAnswer     `json:"sweep,omitempty"`
	PowerOff   *powerAnswer     `json:"power_off,omitempty"`
}

type sweepAnswer struct {
	FromRPM    float64        `json:"from_rpm"`
	ToRPM      float64        `json:"to_rpm"`
	Turns      int            `json:"turns"`
	Resonances []resonance    `json:"resonances"`
	AtRPM      float64        `json:"at_rpm"`
	Verdict    string         `json:"verdict"`
	Text       string         `json:"text"`
	BetterRPM  *float64       `json:"better_rpm"`
	Channels   []sweepChannel `json:"channels"`
	Misfit     float64        `json:"misfit"`
	Notes      []string       `json:"notes"`
}

type resonance struct {
	RPM       float64  `json:"rpm"`
	RPMSE     *float64 `json:"rpm_standard_error"`
	Damping   float64  `json:"damping"`
	DampingSE *float64 `json:"damping_standard_error"`
	Swept     bool     `json:"swept"`
}

type sweepChannel struct {
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

type powerAnswer struct {
	OffSeconds float64          `json:"off_s"`
	SpeedRPM   float64          `json:"speed_rpm"`
	SupplyHz   *float64         `json:"supply_hz"`
	SupplySE   *float64         `json:"supply_standard_error_hz"`
	Supply     string           `json:"supply"`
	Slip       *float64         `json:"slip"`
	Components []powerComponent `json:"components"`
	Beats      []powerBeat      `json:"beats"`
	Notes      []string         `json:"notes"`
}

type powerComponent struct {
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

type powerBeat struct {
	A      string  `json:"a"`
	B      string  `json:"b"`
	Period float64 `json:"period_s"`
	Seen   float64 `json:"seen"`
	Enough bool    `json:"enough"`
}

func (m *measurement) answerSpeed(e env, sw *sweep.Sweep, test *poweroff.Test) error {
	a := speedAnswer{Schema: 1, Convention: m.convention}
	if m.speed.sweep {
		f, err := sw.Fit()
		if err != nil {
			return err
		}
		at := rotor.RadPerSecond(m.speed.at)
		if at == 0 {
			at = f.High
		}
		a.Sweep = m.sweepAnswer(sw, f, at)
		if m.speed.picture != "" {
			if err := os.WriteFile(m.speed.picture, []byte(sweep.Picture(sw, f, 0, m.convention)), 0o666); err != nil {
				return fmt.Errorf("the picture could not be written: %w; choose another place", err)
			}
		}
	}
	if m.speed.powerOff {
		r, err := test.Result()
		if err != nil {
			return err
		}
		a.PowerOff = powerAnswerOf(r)
	}
	if m.json {
		enc := json.NewEncoder(e.stdout)
		enc.SetIndent("", " ")
		return enc.Encode(a)
	}
	return a.text(e.stdout)
}

func (m *measurement) sweepAnswer(sw *sweep.Sweep, f *sweep.Fit, at float64) *sweepAnswer {
	j := f.Judge(at)
	out := &sweepAnswer{FromRPM: rotor.RPM(f.Low), ToRPM: rotor.RPM(f.High), Turns: len(sw.Points), AtRPM: rotor.RPM(at), Verdict: j.Code, Text: j.Text,
		Misfit: f.Misfit, Notes: append([]string{}, f.Notes...), Resonances: []resonance{}}
	if j.Better > 0 {
		out.BetterRPM = number(rotor.RPM(j.Better))
	}
	for _, k := range f.Modes {
		out.Resonances = append(out.Resonances, resonance{rotor.RPM(k.Speed), number(rotor.RPM(k.SpeedSD)), k.Damping, number(k.DampingSD), k.Inside})
	}
	for i, p := range j.Places {
		unit, detector := m.shown(p.Quantity)
		c := sweepChannel{Name: p.Channel, Unit: unit.Name, Detector: detector.String(), ExponentSE: number(p.ExponentSD)}
		slope, sd := p.DegPerPercent()
		if m.convention == rotor.AgainstRotation {
			slope = -slope
		}
		c.Slope, c.SlopeSE, c.Exponent = slope, number(sd), real(p.Slope(unit.Quantity).Rate)
		for k, name := range sw.Channels {
			if name.Name != f.Channels[i].Name {
				continue
			}
			speeds, vs := sw.Curve(k, 1)
			for n, v := range vs {
				if p.Quantity != unit.Quantity {
					if w, err := rotor.Convert(v, p.Quantity, unit.Quantity, speeds[n]); err == nil {
						v = w
					}
				}
				amplitude, deg := m.convention.Polar(v)
				c.RPM, c.Amplitude, c.PhaseDeg = append(c.RPM, rotor.RPM(speeds[n])), append(c.Amplitude, amplitude*unit.PerSI*detector.OfPeak()), append(c.PhaseDeg, deg)
			}
		}
		out.Channels = append(out.Channels, c)
	}
	return out
}

func powerAnswerOf(r *poweroff.Result) *powerAnswer {
	out := &powerAnswer{OffSeconds: r.Off, SpeedRPM: rotor.RPM(r.Speed), Supply: r.SupplyName, Slip: number(r.Slip), Notes: append([]string{}, r.Notes...),
		Components: []powerComponent{}, Beats: []powerBeat{}}
	if r.SupplyHz > 0 {
		out.SupplyHz, out.SupplySE = &r.SupplyHz, &r.SupplySD
	}
	for _, c := range r.Components {
		unit := rotor.DefaultUnit(c.Quantity)
		out.Components = append(out.Components, powerComponent{c.Kind, c.Name, c.Hz, c.Order, c.Channel, unit.Name, c.Amplitude * unit.PerSI, c.Follow, c.Stayed, c.Evidence})
	}
	for _, b := range r.Beats {
		out.Beats = append(out.Beats, powerBeat{b.A, b.B, b.Period, b.Seen, b.Enough})
	}
	return out
}

// text is the answer for people.
func (a *speedAnswer) text(w io.Writer) error {
	p := &printer{w: w}
	if s := a.Sweep; s != nil {
		p.f("%d revolutions from %.0f to %.0f rpm\n", s.Turns, s.FromRPM, s.ToRPM)
		for _, k := range s.Resonances {
			where := ""
			if !k.Swept {
				where = " (outside the sweep, extrapolated)"
			}
			p.f("  resonance at %.0f rpm +- %s, damping %.3f +- %s%s\n", k.RPM, short(k.RPMSE), k.Damping, short(k.DampingSE), where)
		}
		for _, c := range s.Channels {
			p.f("  %-12s at %.0f rpm: %+.2f deg per %% of speed +- %s; amplitude in %s grows with speed to the power %.1f +- %s\n", c.Name, s.AtRPM, c.Slope, short(c.SlopeSE), c.Unit, c.Exponent, short(c.ExponentSE))
		}
		p.f("%s\n", s.Text)
		for _, n := range s.Notes {
			p.f("note: %s\n", n)
		}
	}
	if o := a.PowerOff; o != nil {
		p.f("switched off at %.2f s from %.0f rpm\n", o.OffSeconds, o.SpeedRPM)
		if o.SupplyHz != nil {
			p.f("supply %.4f Hz +- %.2g: %s\n", *o.SupplyHz, *o.SupplySE, o.Supply)
		}
		for _, c := range o.Components {
			p.f("  %8.3f Hz %-14s %-24s %.3g %s peak on %s\n      %s\n", c.Hz, c.Kind, c.Name, c.Amplitude, c.Unit, c.Channel, c.Evidence)
		}
		for _, b := range o.Beats {
			p.f("  beat of %s with %s: every %.2f s, %.1f seen\n", b.A, b.B, b.Period, b.Seen)
		}
		for _, n := range o.Notes {
			p.f("note: %s\n", n)
		}
	}
	return p.err
}
