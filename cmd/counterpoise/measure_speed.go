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
	"counterpoise/internal/phase/sweep"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum/poweroff"
	"counterpoise/internal/station/trace"
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
	o.Float64Var(&s.motor, "motor-ratio", 0, "with --power-off and --spectrum: turns of the motor for one of the fan, where a belt or gear lies between")
	o.Float64Var(&s.belt, "belt-ratio", 0, "with --power-off and --spectrum: turns of the belt for one of the fan")
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
	t := trace.New(trace.Config{Kind: trace.Speed, Orders: m.orders, NoSweep: !m.speed.sweep, NoPower: !m.speed.powerOff, Whole: !isLive(source),
		Power: poweroff.Config{Blades: m.blades, Motor: m.speed.motor, Belt: m.speed.belt}})
	var first uint64
	begun := false
	for {
		block, err := src.Next(ctx)
		if errors.Is(err, io.EOF) || errors.Is(err, context.Canceled) && begun {
			break
		}
		if err != nil {
			return err
		}
		if !begun {
			first, begun = block.Tick, true
		}
		at := float64(int64(block.Tick-first)) / block.Setup.TickHz
		if at < m.from {
			continue
		}
		done := t.Add(block)
		throw(at)
		if done || m.length > 0 && at-m.from > m.length {
			break
		}
	}
	r, err := t.SpeedResult()
	if err != nil {
		return err
	}
	return m.answerSpeed(e, r)
}

// openToSwitch opens a source; a virtual fan is switched off by throw once it
// has run at speed for a while, everybody else is asked to do it.
func openToSwitch(ctx context.Context, e env, source string) (acq.Source, func(at float64), error) {
	name, ok := strings.CutPrefix(source, "rig:")
	if !ok {
		if isLive(source) {
			fmt.Fprintln(e.stderr, "Guards on, everyone out of the plane of rotation. Let it run steadily for 15 s, switch it off, and keep away until it stands: this ends by itself then.")
		}
		src, err := openSource(ctx, source, e.sourceOptions())
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

// view is how the answer writes its numbers.
func (m *measurement) view() trace.View {
	v := trace.View{Convention: m.convention, At: rotor.RadPerSecond(m.speed.at)}
	if m.quantity != rotor.Raw {
		v.Unit, v.Detector = m.shown(m.quantity)
	}
	return v
}

func (m *measurement) answerSpeed(e env, r *trace.SpeedResult) error {
	if r.FitRefused != nil {
		return r.FitRefused
	}
	if r.PowerRefused != nil {
		return r.PowerRefused
	}
	if r.Fit != nil && m.speed.picture != "" {
		if err := os.WriteFile(m.speed.picture, []byte(sweep.Drawing{Sweep: r.Points, Fit: r.Fit, Convention: m.convention}.Whole()), 0o666); err != nil {
			return fmt.Errorf("the picture could not be written: %w; choose another place", err)
		}
	}
	a := r.Answer(m.view())
	if m.json {
		enc := json.NewEncoder(e.stdout)
		enc.SetIndent("", " ")
		return enc.Encode(a)
	}
	return speedText(a, e.stdout)
}

// speedText is the answer for people.
func speedText(a *trace.SpeedAnswer, w io.Writer) error {
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
