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
	"counterpoise/internal/check"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

var delaysCommand = command{
	name: "delays", args: "SOURCE... [--json]", summary: "measure by how much each channel lags, and keep it in station.toml",
	run: runDelays,
}

// calibration is what delays was asked for.
type calibration struct {
	speeds, same  bool
	before        string // page of the same point before the swap
	seconds, rpm  float64
	into, station string
	json          bool
	sources       []string
}

func delaysOptions(e env, args []string) (c calibration, err error) {
	o := newOptions("delays", e)
	o.BoolVar(&c.speeds, "speeds", false, "from three or more SOURCEs, each the same untouched rotor at another steady speed")
	o.BoolVar(&c.same, "same-point", false, "all sensors sit at one point, or one signal feeds all inputs: compare the channels with the first")
	o.StringVar(&c.before, "swapped", "", "answer (--json) of --same-point from before the first two sensors changed their places")
	o.Float64Var(&c.seconds, "for", 20, "seconds to look at each source")
	o.Float64Var(&c.rpm, "speed", 1500, "rpm at which the answer is told in degrees, too")
	o.StringVar(&c.into, "into", "", "station.toml in which to keep the delays")
	o.StringVar(&c.station, "station", "", "its station, where it has several")
	o.BoolVar(&c.json, "json", false, "answer as JSON")
	c.sources, err = o.parse(args)
	switch {
	case err != nil:
		return c, err
	case !(c.seconds > 0) || math.IsInf(c.seconds, 0) || !(c.rpm > 0) || math.IsInf(c.rpm, 0):
		return c, fmt.Errorf("%w: --for and --speed must be above 0", errUsage)
	case c.speeds && (c.same || c.before != ""), c.before != "" && !c.same:
		return c, fmt.Errorf("%w: choose one of --speeds and --same-point; --swapped belongs to --same-point", errUsage)
	case !c.speeds && len(c.sources) != 1:
		return c, fmt.Errorf("%w: name one source, for instance serial:/dev/ttyACM0", errUsage)
	case c.station != "" && c.into == "":
		return c, fmt.Errorf("%w: --station says where in the file of --into", errUsage)
	}
	return c, nil
}

func runDelays(ctx context.Context, e env, args []string) error {
	c, err := delaysOptions(e, args)
	if err != nil {
		return err
	}
	if c.into != "" { // before anything is measured
		if _, err := c.stationIn(); err != nil {
			return err
		}
	}
	var a delaysAnswer
	switch {
	case c.speeds:
		a, err = c.bySpeeds(ctx, e)
	case c.same:
		a, err = c.byPoint(ctx, e)
	default:
		a, err = c.byWave(ctx, e)
	}
	if err != nil {
		return err
	}
	if c.into != "" {
		if err := c.keep(&a); err != nil {
			return err
		}
	}
	if c.json {
		enc := json.NewEncoder(e.stdout)
		enc.SetIndent("", " ")
		return enc.Encode(a)
	}
	return a.print(e.stdout)
}

// byWave lets a live board listen to its own test wave.
func (c calibration) byWave(ctx context.Context, e env) (delaysAnswer, error) {
	src, err := openSource(ctx, c.sources[0], e.sourceOptions())
	if err != nil {
		return delaysAnswer{}, err
	}
	defer src.Close()
	looper, ok := src.(acq.Looper)
	if !ok {
		return delaysAnswer{}, errors.New("a recording has no board to ask for a test wave: name a live board, or use --same-point or --speeds")
	}
	b, err := src.Next(ctx)
	if err != nil {
		return delaysAnswer{}, err
	}
	setup := b.Setup
	if !setup.HasTach {
		return delaysAnswer{}, errors.New("the board has no tach, so nothing tells when its test wave rises: use --same-point")
	}
	var tones []check.Tone
	periods := check.WavePeriods(setup.Rate)
	for i, period := range append(periods[:1:1], periods...) {
		exact, err := looper.Loopback(period)
		if err != nil {
			return delaysAnswer{}, err
		}
		t, err := hear(ctx, src, check.NewHearing(exact, check.WaveTurns))
		if err != nil {
			return delaysAnswer{}, err
		}
		if i > 0 { // during the first, AC couplings settle
			tones = append(tones, t)
		}
	}
	lags, err := check.LagsOfWave(tones, setup.Channels)
	if err != nil {
		return delaysAnswer{}, err
	}
	return c.answer("loopback", setup, lags), nil
}

func hear(ctx context.Context, src acq.Source, h *check.Hearing) (check.Tone, error) {
	for {
		b, err := src.Next(ctx)
		if err != nil {
			return check.Tone{}, err
		}
		if done, err := h.Add(b); done || err != nil {
			if err != nil {
				return check.Tone{}, err
			}
			return h.Tone(), nil
		}
	}
}

// bySpeeds reads each source as one steady speed.
func (c calibration) bySpeeds(ctx context.Context, e env) (delaysAnswer, error) {
	var tones []check.Tone
	var setup *acq.Setup
	for _, word := range c.sources {
		r, su, err := c.reading(ctx, e, word)
		if err != nil {
			return delaysAnswer{}, err
		}
		if setup != nil && su.Fingerprint() != setup.Fingerprint() {
			return delaysAnswer{}, fmt.Errorf("%s comes from another board or set-up than the sources before it, so their delays are not the same: record all speeds with one board", word)
		}
		setup, tones = su, append(tones, check.ToneOf(r))
	}
	if setup == nil {
		return delaysAnswer{}, fmt.Errorf("%w: name three or more sources, one of each speed", errUsage)
	}
	lags, err := check.LagsOfSpeeds(tones, setup.Channels)
	if err != nil {
		return delaysAnswer{}, err
	}
	return c.answer("speeds", setup, lags), nil
}

// reading is one trusted reading of a source.
func (c calibration) reading(ctx context.Context, e env, word string) (r phase.Reading, setup *acq.Setup, err error) {
	x, average := phase.NewExtractor(phase.Config{}), phase.NewAverage(phase.AverageConfig{})
	if setup, err = c.follow(ctx, e, word, func(b *acq.Block) { x.Add(b, average.Add) }); err != nil {
		return r, nil, err
	}
	if r = average.Reading(); r.Trusted() {
		return r, setup, nil
	}
	why := "no revolution was accepted: look at the tach"
	for _, f := range r.Flags {
		if f.Fatal {
			why = f.Text
		}
	}
	return r, nil, fmt.Errorf("%s gives no reading to be trusted: %s", word, why)
}

// follow hands the blocks of --for seconds to each.
func (c calibration) follow(ctx context.Context, e env, word string, each func(*acq.Block)) (setup *acq.Setup, err error) {
	src, err := openSource(ctx, word, e.sourceOptions())
	if err != nil {
		return nil, err
	}
	defer src.Close()
	first := math.Inf(1)
	for {
		b, err := src.Next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		each(b)
		setup = b.Setup
		at := float64(b.Tick) / b.Setup.TickHz
		if first = min(first, at); at+float64(b.Len())/b.Setup.Rate-first >= c.seconds {
			break
		}
	}
	if setup == nil {
		return nil, fmt.Errorf("%s holds no samples, so nothing could be measured", word)
	}
	return setup, nil
}

// byPoint compares the channels with the first, all at one point.
func (c calibration) byPoint(ctx context.Context, e env) (delaysAnswer, error) {
	var before delaysAnswer
	if c.before != "" {
		f, err := os.Open(c.before)
		if err != nil {
			return before, fmt.Errorf("the answer from before the swap cannot be read: %w", err)
		}
		defer f.Close()
		if err := json.NewDecoder(f).Decode(&before); err != nil || before.Method != "same-point" || len(before.Channels) < 2 {
			return before, fmt.Errorf("%s is no answer of delays --same-point --json (%v): measure once before the swap, and keep that answer", c.before, err)
		}
	}
	x := check.New(check.Machine{})
	if _, err := c.follow(ctx, e, c.sources[0], x.Add); err != nil {
		return delaysAnswer{}, err
	}
	shifts, setup, err := x.ShiftsAtOnePoint()
	if err != nil {
		return delaysAnswer{}, err
	}
	var lags []check.Lag
	for i, s := range shifts {
		lags = append(lags, check.Lag{Channel: setup.Channels[i].Name, Seconds: s.Seconds, SE: s.SE, Inverted: s.Inverted})
	}
	a := c.answer("same-point", setup, lags)
	if c.before != "" {
		return c.swapped(before, a, shifts)
	}
	return a, nil
}

// swapped tells the channels' part from the sensors'.
func (c calibration) swapped(before, now delaysAnswer, shifts []check.Shift) (delaysAnswer, error) {
	if before.Fingerprint != now.Fingerprint {
		return now, errors.New("the answer from before the swap is of another board or set-up: measure both with the same")
	}
	if before.Channels[1].Inverted || shifts[1].Inverted {
		return now, errors.New("one of the two shows the motion upside down: turn its sensor, then measure both ways again")
	}
	first := check.Shift{Seconds: before.Channels[1].ExtraUS * 1e-6, SE: before.Channels[1].Extra95US * 1e-6 / z95}
	ch, se := check.Swapped(first, shifts[1])
	a, b := &now.Channels[0], &now.Channels[1]
	now.Method = "same-point, swapped"
	b.ExtraUS, b.Extra95US = micro(ch.Seconds), micro(z95*ch.SE)
	now.Channels = now.Channels[:2]
	s := sensorLag{Of: fmt.Sprintf("the sensor that is on %s now, behind the one on %s", a.Name, b.Name), US: micro(se.Seconds), US95: micro(z95 * se.SE)}
	now.Sensors = &s
	return now, nil
}

// z95 is the half width of a 95 % interval in standard errors.
const z95 = 1.96

func micro(s float64) float64 { return math.Round(s*1e8) / 100 }

// delaysAnswer is the answer of delays --json.
type delaysAnswer struct {
	Schema      int            `json:"schema"`
	Method      string         `json:"method"`
	Source      string         `json:"source"`
	Board       string         `json:"board"`
	Fingerprint string         `json:"fingerprint"` // with the delays as they were stated
	RPM         float64        `json:"speed_rpm"`   // at which degrees are told
	Channels    []channelDelay `json:"channels"`
	Sensors     *sensorLag     `json:"sensors,omitempty"`
	Kept        string         `json:"kept,omitempty"` // file and station
}

type channelDelay struct {
	Name      string   `json:"name"`
	StatedUS  float64  `json:"stated_us"`
	ExtraUS   float64  `json:"extra_us"` // beyond the stated delay, less the tach's
	Extra95US float64  `json:"extra_95_us"`
	ExtraDeg  float64  `json:"extra_deg"` // at speed_rpm
	Inverted  bool     `json:"inverted"`
	AngleDeg  *float64 `json:"angle_deg"` // what does not change with speed; --speeds only
	Angle95   *float64 `json:"angle_95_deg"`
	CornerHz  *float64 `json:"coupling_hz"` // loopback only
	Corner95  *float64 `json:"coupling_95_hz"`
	Notes     []string `json:"notes"`
}

type sensorLag struct {
	Of   string  `json:"of"`
	US   float64 `json:"lag_us"`
	US95 float64 `json:"lag_95_us"`
}

func (c calibration) answer(method string, setup *acq.Setup, lags []check.Lag) delaysAnswer {
	a := delaysAnswer{Schema: 1, Method: method, Source: setup.Source, Board: setup.Board, Fingerprint: setup.Fingerprint(), RPM: c.rpm}
	all := len(lags) > 1 && method == "loopback"
	for _, l := range lags {
		all = all && l.Inverted
	}
	for i, l := range lags {
		d := channelDelay{
			Name: l.Channel, StatedUS: micro(setup.Channels[i].Delay), ExtraUS: micro(l.Seconds), Extra95US: micro(z95 * l.SE),
			ExtraDeg: l.Seconds * rotor.RadPerSecond(c.rpm) * 180 / math.Pi, Inverted: l.Inverted, Notes: []string{},
		}
		deg := func(rad float64) *float64 { v := rad * 180 / math.Pi; return &v }
		switch method {
		case "speeds":
			d.AngleDeg, d.Angle95 = deg(l.Angle), deg(z95*l.AngleSE)
		case "loopback":
			hz, wide := l.Corner, z95*l.CornerSE
			d.CornerHz, d.Corner95 = &hz, &wide
		}
		switch {
		case l.Inverted && all:
			d.Notes = append(d.Notes, "every channel is upside down beside the tach: the tach counts the wrong edge, swap its comparator's inputs")
		case l.Inverted:
			d.Notes = append(d.Notes, "it shows the motion upside down: turn the sensor round, or say scale."+l.Channel+"=-1")
		}
		if l.OffLine() {
			d.Notes = append(d.Notes, fmt.Sprintf("a point lies %.1f degrees off the line: a resonance is near one of the speeds, or something was changed between them; do not keep this delay", l.Worst*180/math.Pi))
		}
		a.Channels = append(a.Channels, d)
	}
	return a
}

// keep writes the delays into the station's configuration.
func (c calibration) keep(a *delaysAnswer) error {
	delays := map[string]float64{}
	for _, d := range a.Channels {
		for _, n := range d.Notes {
			return fmt.Errorf("the delays were not kept, as %s is not well: %s", d.Name, n)
		}
		delays[d.Name] = d.ExtraUS * 1e-6
	}
	name, err := c.stationIn()
	if err != nil {
		return err
	}
	if err := station.KeepDelays(c.into, name, delays); err != nil {
		return err
	}
	a.Kept = fmt.Sprintf("station %q in %s", name, c.into)
	return nil
}

// stationIn is the station whose delays are measured.
func (c calibration) stationIn() (name string, err error) {
	f, err := os.Open(c.into)
	if err != nil {
		return "", fmt.Errorf("the delays cannot be kept: %w", err)
	}
	defer f.Close()
	cfg, err := station.ReadConfig(f)
	if err != nil {
		return "", err
	}
	if c.station == "" && len(cfg.Stations) != 1 {
		return "", fmt.Errorf("%w: %s has %d stations: say which with --station", errUsage, c.into, len(cfg.Stations))
	}
	for _, s := range cfg.Stations {
		if c.station != "" && s.Name != c.station {
			continue
		}
		if strings.Contains(s.Source, "delay.") && s.Source != c.sources[0] {
			return "", fmt.Errorf("the source of station %q holds delays of its own (delay.NAME=), so these would not belong to it: measure with that very SOURCE word, or take them out of it", s.Name)
		}
		return s.Name, nil
	}
	return c.station, nil // KeepDelays says that it is not there
}

func (a delaysAnswer) print(w io.Writer) error {
	out := &printer{w: w}
	out.f("%s\n%s, by %s\n\n", a.Source, a.Board, a.Method)
	behind := "the tach"
	if strings.HasPrefix(a.Method, "same-point") {
		behind = a.Channels[0].Name
	}
	out.f("%-10s %10s %22s %16s\n", "channel", "stated us", "lags "+behind+" by us", fmt.Sprintf("deg at %.0f rpm", a.RPM))
	for _, d := range a.Channels {
		out.f("%-10s %10.1f %+12.2f +- %-6.2f %+16.3f", d.Name, d.StatedUS, d.ExtraUS, d.Extra95US, d.ExtraDeg)
		if d.AngleDeg != nil {
			out.f("   angle %+.2f +- %.2f deg at any speed", *d.AngleDeg, *d.Angle95)
		}
		if d.CornerHz != nil {
			out.f("   AC coupling %.3f +- %.3f Hz", *d.CornerHz, *d.Corner95)
		}
		out.f("\n")
		for _, n := range d.Notes {
			out.f("%-10s -> %s\n", "", n)
		}
	}
	if a.Sensors != nil {
		out.f("%s: %+.2f +- %.2f us; that part goes with the sensors\n", a.Sensors.Of, a.Sensors.US, a.Sensors.US95)
	}
	out.f("\nBeyond what is stated; +- is 95 %%. ")
	if a.Kept != "" {
		out.f("Kept as delay_us in %s. Coefficients of before do not belong to this set-up any more.\n", a.Kept)
		return out.err
	}
	out.f("To keep it, add --into station.toml, or write it\n%-10s %-36s %s\n", "", "below its [[station.channel]]", "or into the SOURCE word")
	for _, d := range a.Channels {
		out.f("%-10s %-36s %s\n", d.Name, fmt.Sprintf("delay_us = %.1f", math.Round(10*d.ExtraUS)/10+0), fmt.Sprintf("delay.%s=%.7f", d.Name, (d.StatedUS+d.ExtraUS)*1e-6))
	}
	return out.err
}
