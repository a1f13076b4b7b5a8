package web

import (
	"fmt"
	"math"
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
	s.Settle = settleOf(snap, ask, v)
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
	if r.Normal != "" {
		s.Lines = append(s.Lines, r.Normal)
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
func settleOf(snap *station.Snapshot, ask station.Ask, v View) Settle {
	r := snap.Reading
	if r == nil {
		return Settle{Text: say("settle.none")}
	}
	se := knownTo(r)
	// The window of the live view does not grow: it cannot say how long is left.
	return Settle{Fraction: progress(r.Turns, ask, se), Text: progressText(r.Turns, ask, se, 0, v)}
}

// knownTo is the largest standard error per axis of the 1x velocity of any sensor,
// m/s peak; 0 where none is known.
func knownTo(r *phase.Reading) (worst float64) {
	for i := range r.Channels {
		if c, ok := r.In(i, 1, rotor.Velocity); ok {
			worst = math.Max(worst, finiteOr(math.Sqrt(c.Cov.PerAxis()), 0))
		}
	}
	return worst
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
