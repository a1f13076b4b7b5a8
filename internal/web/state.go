package web

import (
	"fmt"
	"math"
	"math/cmplx"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// State is one snapshot written for one View: what the event stream carries
// and what the first page shows before any script runs.
type State struct {
	Schema  int    `json:"schema"`
	Serial  uint64 `json:"serial"`
	Station string `json:"station"`
	At      string `json:"at,omitempty"`

	Link   Sentence `json:"link"`
	Trust  Sentence `json:"trust"`
	Motion Sentence `json:"motion"`

	Speed   Amount  `json:"speed"`   // rpm
	Scatter Amount  `json:"scatter"` // rpm, of the speed from turn to turn
	SpeedHz float64 `json:"speed_hz"`
	Source  string  `json:"source,omitempty"`
	Board   string  `json:"board,omitempty"`

	Settle   Settle         `json:"settle"`
	Channels []ChannelState `json:"channels"`
	Counts   []Line         `json:"counts"`
	Pictures Pictures       `json:"pictures"`
	// LevelNote says what the overall levels are, for people.
	LevelNote string `json:"level_note,omitempty"`
}

// Sentence is a judgement: how good it is, in one word for the eye, and in
// sentences that say what it means and what to do.
type Sentence struct {
	Level string   `json:"level"` // good, care, bad or none
	Word  string   `json:"word"`
	Lines []string `json:"lines,omitempty"`
}

// Line is a row of a plain table.
type Line struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// Settle says how far the rolling reading has come.
type Settle struct {
	Fraction float64 `json:"fraction"`
	Text     string  `json:"text"`
}

// ChannelState is one sensor.
type ChannelState struct {
	Name      string  `json:"name"`
	Direction string  `json:"direction,omitempty"`
	Amplitude Amount  `json:"amplitude"` // at 1x
	Phase     Amount  `json:"phase"`     // degrees in the view's convention
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

// stateOf writes a snapshot for people; a nil snapshot is a station that has
// not begun. now is host time, only for the age of things.
func stateOf(st *Station, snap *station.Snapshot, v View, ask station.Ask, now time.Time) State {
	s := State{Schema: 1, Station: st.Name(), Channels: []ChannelState{}, Counts: []Line{}}
	if snap == nil {
		s.Link = Sentence{Level: "none", Word: say("link.starting"), Lines: []string{say("link.starting.text")}}
		s.Trust = Sentence{Level: "none", Word: say("trust.none"), Lines: []string{say("trust.noreading")}}
		s.Motion = motionOf(&station.Snapshot{})
		s.Speed, s.Scatter = unknown("rpm"), unknown("rpm")
		return s
	}
	s.Serial = snap.Serial
	if !snap.At.IsZero() {
		s.At = snap.At.UTC().Format(time.RFC3339Nano)
	}
	s.Link, s.Trust, s.Motion = linkOf(snap.Link), trustOf(snap), motionOf(snap)
	s.Speed, s.Scatter = speedOf(snap)
	s.SpeedHz = finiteOr(snap.Speed/(2*math.Pi), 0)
	if snap.Setup != nil {
		s.Source, s.Board = snap.Setup.Source, snap.Setup.Board
	}
	s.Settle = settleOf(snap, ask)
	s.Channels = channelsOf(st, snap, v)
	s.Counts = countsOf(snap)
	s.Pictures = picturesOf(snap)
	s.LevelNote = levelNote(st.Config.Machine, snap)
	return s
}

func linkOf(l acq.Link) Sentence {
	s := Sentence{Level: "bad", Word: say("link." + l.State), Lines: nonEmpty(l.Reason)}
	switch l.State {
	case acq.Running:
		s.Level = "good"
		if l.Reason != "" {
			s.Level = "care"
		} else {
			s.Lines = []string{say("link.running.text")}
		}
	case acq.Connecting, acq.Greeting, acq.Ended:
		s.Level = "none"
	case "":
		s.Word = say("link.starting")
		s.Level = "none"
	}
	if s.Level != "good" && len(s.Lines) == 0 {
		s.Lines = []string{say("link.starting.text")}
	}
	return s
}

// trustOf judges the numbers on the page as a whole.
func trustOf(snap *station.Snapshot) Sentence {
	r := snap.Reading
	if r == nil {
		key := "trust.noreading"
		switch {
		case !snap.Link.Up:
			key = "trust.nolink"
		case snap.Setup != nil && !snap.Setup.HasTach:
			key = "trust.notach"
		case snap.Motion == station.Still:
			key = "trust.still"
		case snap.Motion == station.LostTach:
			key = "trust.losttach"
		}
		return Sentence{Level: "none", Word: say("trust.none"), Lines: []string{say(key)}}
	}
	s := Sentence{Level: "good", Word: say("trust.good")}
	for _, f := range r.Flags {
		s.Lines = append(s.Lines, f.Text)
		s.Level, s.Word = "care", say("trust.care")
	}
	if !r.Trusted() {
		s.Level, s.Word = "bad", say("trust.bad")
	}
	if !snap.Link.Up {
		s.Level, s.Word = "bad", say("trust.old")
		s.Lines = append([]string{say("trust.old.text")}, s.Lines...)
	}
	if len(s.Lines) == 0 {
		s.Lines = []string{fmt.Sprintf(say("trust.good.text"), r.Turns)}
	}
	return s
}

func motionOf(snap *station.Snapshot) Sentence {
	key := "motion." + snap.Motion.String()
	s := Sentence{Level: "none", Word: say(key), Lines: []string{say(key + ".text")}}
	switch snap.Motion {
	case station.Turning:
		s.Level = "good"
	case station.LostTach:
		s.Level = "bad"
	}
	return s
}

func speedOf(snap *station.Snapshot) (speed, scatter Amount) {
	speed, scatter = unknown("rpm"), unknown("rpm")
	rpm := rotor.RPM(snap.Speed)
	if snap.Motion != station.Turning || !(rpm > 0) || !finite(rpm) {
		return speed, scatter
	}
	speed = plain(rpm, 5, "rpm")
	if r := snap.Reading; r != nil && r.Turns > 1 {
		scatter = plain(rotor.RPM(r.SpeedSD), 2, "rpm")
	}
	return speed, scatter
}

// settleOf compares the rolling reading with what a taken one must reach.
func settleOf(snap *station.Snapshot, ask station.Ask) Settle {
	r := snap.Reading
	if r == nil {
		return Settle{Text: say("settle.none")}
	}
	f := float64(r.Turns) / float64(max(ask.MinTurns, 1))
	return Settle{Fraction: math.Min(f, 1), Text: fmt.Sprintf(say("settle.turns"), r.Turns, ask.MinTurns)}
}

func channelsOf(st *Station, snap *station.Snapshot, v View) []ChannelState {
	out := []ChannelState{}
	if snap.Setup == nil {
		return out
	}
	for i, ch := range snap.Setup.Channels {
		c := ChannelState{Name: ch.Name, Amplitude: unknown(v.Scale.Label()), Phase: unknown("°"),
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
		out = append(out, Line{fmt.Sprintf("%dx", o.Order), both(amp) + " " + unit + ", " + both(deg) + "°"})
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

func countsOf(snap *station.Snapshot) []Line {
	var dropped uint64
	for _, n := range snap.Dropped {
		dropped += n
	}
	var refused uint64
	for _, n := range snap.Counts.Refused {
		refused += n
	}
	lines := []Line{
		{say("count.frames"), fmt.Sprint(snap.Counts.Frames)},
		{say("count.refused"), fmt.Sprint(refused)},
		{say("count.turns"), fmt.Sprint(snap.Turns)},
		{say("count.dropped"), fmt.Sprint(dropped)},
		{say("count.lost"), fmt.Sprint(snap.Counts.LostSamples)},
		{say("count.reconnects"), fmt.Sprint(snap.Counts.Reconnects)},
	}
	clock := say("count.clock.unknown")
	if snap.Counts.ClockPPMError > 0 {
		c := measured(snap.Counts.ClockPPM, 1.96*snap.Counts.ClockPPMError, "ppm")
		clock = both(c) + " ppm"
	}
	return append(lines, Line{say("count.clock"), clock})
}

func nonEmpty(s string) []string {
	if s == "" {
		return nil
	}
	return []string{s}
}

func finiteOr(v, or float64) float64 {
	if finite(v) {
		return v
	}
	return or
}
