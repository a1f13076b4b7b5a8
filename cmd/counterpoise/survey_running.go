package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"counterpoise/internal/acq"
	"counterpoise/internal/blades"
	"counterpoise/internal/blades/running"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station/trace"
)

// runningTask is what survey --running was asked for.
type runningTask struct {
	source, channel, picture string
	blades, turns            int
	sensorDeg, blade1Deg     float64
	radiusMM                 float64
	json                     bool
	sensorGiven, blade1Given bool
}

func (k *runningTask) options(o options) {
	o.StringVar(&k.source, "running", "", "see the running blades through a distance sensor on this source; FILE is then the survey at standstill, or left out")
	o.StringVar(&k.channel, "channel", "track", "with --running: name of the distance sensor's channel, or its number from 0")
	o.IntVar(&k.blades, "blades", 0, "with --running: number of blades (0 = as many as pass)")
	o.IntVar(&k.turns, "turns", 100, "with --running: turns to take")
	o.Float64Var(&k.sensorDeg, "sensor-deg", 0, "with --running: where the sensor looks, degrees from the tach in the survey's convention")
	o.Float64Var(&k.blade1Deg, "blade-1-deg", 0, "with --running: angle of blade 1 from the mark")
	o.Float64Var(&k.radiusMM, "radius-mm", 0, "with --running: radius at which the sensor looks")
	o.StringVar(&k.picture, "picture", "", "with --running: write a picture of the heights to this SVG file")
}

// run measures the running wheel and compares it with the survey at standstill
// in file, if one is named.
func (k *runningTask) run(ctx context.Context, e env, o options, rest []string) error {
	if len(rest) > 1 {
		return fmt.Errorf("%w: name one survey at standstill, or none", errUsage)
	}
	k.sensorGiven, k.blade1Given = o.given("sensor-deg"), o.given("blade-1-deg")
	convention, base := rotor.WithRotation, (*blades.Survey)(nil)
	if len(rest) == 1 {
		f, err := readSurvey(e, rest[0])
		if err != nil {
			return err
		}
		if base, err = f.Survey(); err != nil {
			return err
		}
		convention = f.Convention
	}
	cfg, err := k.config(convention, base)
	if err != nil {
		return err
	}
	src, err := openSource(ctx, k.source, e.sourceOptions())
	if err != nil {
		return err
	}
	defer src.Close()
	r, err := k.measure(ctx, src, cfg, base)
	if err != nil {
		return err
	}
	if k.picture != "" {
		if err := os.WriteFile(k.picture, []byte(r.Running.Picture(r.Moved)), 0o666); err != nil {
			return fmt.Errorf("the picture could not be written: %w; choose another place", err)
		}
	}
	a := r.Answer(trace.View{Convention: convention})
	if k.json {
		enc := json.NewEncoder(e.stdout)
		enc.SetIndent("", " ")
		return enc.Encode(a)
	}
	return runningText(a, e.stdout)
}

// config gathers what is known: options first, then the survey, then what a
// person who stands before the virtual fan could find out.
func (k *runningTask) config(c rotor.Convention, base *blades.Survey) (running.Config, error) {
	cfg := running.Config{Blades: k.blades, Turns: k.turns, Radius: k.radiusMM / 1e3,
		Sensor: c.Radians(k.sensorDeg), SensorKnown: k.sensorGiven, Blade1: c.Radians(k.blade1Deg), Blade1Known: k.blade1Given}
	if base != nil {
		cfg.Numbering = base.Numbering
		if cfg.Blades == 0 {
			cfg.Blades = base.Blades
		}
		if !cfg.Blade1Known {
			cfg.Blade1, cfg.Blade1Known = base.Blade1, true
		}
	}
	name, ok := strings.CutPrefix(k.source, "rig:")
	if !ok {
		return cfg, nil
	}
	r, err := rig.New(name, 1)
	if err != nil {
		return cfg, err
	}
	d := r.Describe()
	if d.Distance == nil {
		return cfg, fmt.Errorf("the virtual fan %s has no distance sensor: take extractor-track", name)
	}
	if !cfg.SensorKnown {
		cfg.Sensor, cfg.SensorKnown = d.Distance.Angle, true
	}
	if cfg.Radius == 0 {
		cfg.Radius = d.Distance.Radius
	}
	if !cfg.Blade1Known {
		cfg.Blade1, cfg.Blade1Known = r.Machine().Blade1, true
	}
	if cfg.Blades == 0 {
		cfg.Blades = d.Blades
	}
	return cfg, nil
}

func (k *runningTask) measure(ctx context.Context, src acq.Source, cfg running.Config, base *blades.Survey) (*trace.TrackResult, error) {
	t := trace.New(trace.Config{Kind: trace.Track, Channel: k.channel, Blades: cfg, Whole: !isLive(k.source)})
	for begun := false; ; begun = true {
		b, err := src.Next(ctx)
		if errors.Is(err, io.EOF) || errors.Is(err, context.Canceled) && begun {
			break
		}
		if err != nil {
			return nil, err
		}
		if t.Add(b) {
			break
		}
	}
	return t.TrackResult(base)
}

// runningText is the answer for people.
func runningText(a *trace.TrackAnswer, w io.Writer) error {
	p := &printer{w: w}
	p.f("%d blades at %.0f rpm, %d revolutions; heights from the mean, + downstream; errors are standard errors\n", len(a.Blades), a.SpeedRPM, a.Turns)
	for _, b := range a.Blades {
		if !b.Seen {
			p.f("  blade %-2d  not seen\n", b.Blade)
			continue
		}
		p.f("  blade %-2d  %+7.3f mm +- %s   spacing %+.3f deg +- %s", b.Blade, *b.Track, short(b.TrackSE), *b.Spacing, short(b.SpacSE))
		if b.Pitch != nil {
			p.f("   pitch %.2f deg +- %s", *b.Pitch, short(b.PitchSE))
		}
		if b.Moved != nil {
			p.f("   at standstill %+.2f mm, moved %+.2f +- %s", *b.Static, *b.Moved, short(b.MovedSE))
		}
		if b.StandOut {
			p.f("  <- stands out")
		}
		p.f("\n")
	}
	for _, n := range a.Notes {
		p.f("note: %s\n", n)
	}
	return p.err
}
