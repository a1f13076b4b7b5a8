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
	"counterpoise/internal/blades"
	"counterpoise/internal/blades/running"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
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
	src, err := openSource(ctx, k.source, acq.Options{Stdin: e.stdin})
	if err != nil {
		return err
	}
	defer src.Close()
	r, err := k.measure(ctx, e, src, cfg)
	if err != nil {
		return err
	}
	var moved *running.Comparison
	if base != nil {
		if moved, err = r.Compare(base); err != nil {
			return err
		}
	}
	if k.picture != "" {
		if err := os.WriteFile(k.picture, []byte(r.Picture(moved)), 0o666); err != nil {
			return fmt.Errorf("the picture could not be written: %w; choose another place", err)
		}
	}
	a := runningAnswerOf(r, moved, convention)
	if k.json {
		enc := json.NewEncoder(e.stdout)
		enc.SetIndent("", " ")
		return enc.Encode(a)
	}
	return a.text(e.stdout)
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

func (k *runningTask) measure(ctx context.Context, e env, src acq.Source, cfg running.Config) (*running.Result, error) {
	var t *running.Track
	for {
		b, err := src.Next(ctx)
		if errors.Is(err, io.EOF) || errors.Is(err, context.Canceled) && t != nil {
			break
		}
		if err != nil {
			return nil, err
		}
		if t == nil {
			if cfg.Channel, err = channelOf(b.Setup, k.channel); err != nil {
				return nil, err
			}
			t = running.New(cfg)
		}
		t.Add(b)
		if isLive(k.source) && t.Steady() && t.Turns() >= k.turns {
			break
		}
	}
	if t == nil {
		return nil, errors.New("the source holds no samples, so no blade was seen: look at the file or the board")
	}
	return t.Result()
}

func channelOf(s *acq.Setup, word string) (int, error) {
	var names []string
	for i, c := range s.Channels {
		if c.Name == word || fmt.Sprint(i) == word {
			return i, nil
		}
		names = append(names, c.Name)
	}
	return 0, fmt.Errorf("there is no channel %q: name the distance sensor's with --channel, one of %s", word, strings.Join(names, ", "))
}

type runningAnswer struct {
	Schema     int              `json:"schema"`
	Convention rotor.Convention `json:"convention"`
	SpeedRPM   float64          `json:"speed_rpm"`
	Turns      int              `json:"revolutions"`
	Blade1Deg  *float64         `json:"blade_1_deg"`
	Blades     []runningBlade   `json:"blades"`
	Straighten *float64         `json:"running_share"` // of the deflection at standstill that is left at speed
	ShareSE    *float64         `json:"running_share_standard_error"`
	Notes      []string         `json:"notes"`
}

type runningBlade struct {
	Blade    int      `json:"blade"`
	Seen     bool     `json:"seen"`
	Track    *float64 `json:"track_mm"` // from the mean, + downstream
	TrackSE  *float64 `json:"track_standard_error_mm"`
	Spacing  *float64 `json:"spacing_error_deg"`
	SpacSE   *float64 `json:"spacing_standard_error_deg"`
	Passes   *float64 `json:"passes_ms"`
	Pitch    *float64 `json:"pitch_deg"`
	PitchSE  *float64 `json:"pitch_standard_error_deg"`
	Static   *float64 `json:"standstill_mm"`
	Moved    *float64 `json:"moved_mm"`
	MovedSE  *float64 `json:"moved_standard_error_mm"`
	StandOut bool     `json:"stands_out"`
}

func runningAnswerOf(r *running.Result, moved *running.Comparison, c rotor.Convention) *runningAnswer {
	out := &runningAnswer{Schema: 1, Convention: c, SpeedRPM: rotor.RPM(r.Speed), Turns: r.Turns, Blades: []runningBlade{}, Notes: append([]string{}, r.Notes...)}
	if !math.IsNaN(r.Blade1) {
		out.Blade1Deg = number(c.Degrees(r.Blade1))
	}
	const degrees = 180 / math.Pi
	for i, b := range r.Blades {
		x := runningBlade{Blade: b.Number, Seen: b.Seen, Track: number(b.Height * 1e3), TrackSE: number(b.HeightSD * 1e3), Spacing: number(b.Off * degrees),
			SpacSE: number(b.AngleSD * degrees), Passes: number(b.Passes * 1e3), Pitch: number(b.Pitch * degrees), PitchSE: number(b.PitchSD * degrees)}
		if moved != nil {
			m := moved.Blades[i]
			x.Static, x.Moved, x.MovedSE, x.StandOut = number(m.Static*1e3), number(m.Moved*1e3), number(m.MovedSD*1e3), m.StandsOut
		}
		out.Blades = append(out.Blades, x)
	}
	if moved != nil {
		out.Straighten, out.ShareSE = number(moved.Share), number(moved.ShareSD)
		out.Notes = append(out.Notes, moved.Notes...)
	}
	return out
}

func (a *runningAnswer) text(w io.Writer) error {
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
