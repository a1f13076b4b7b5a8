package web

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
)

// JobState is a job written for one View: what the page shows and the API
// answers. Angles are in the job's own convention.
type JobState struct {
	Schema   int          `json:"schema"`
	ID       string       `json:"id"`
	Name     string       `json:"name"`
	Station  string       `json:"station"`
	Events   int          `json:"events"` // number of the newest event: send it back as seen
	Operator string       `json:"operator"`
	Running  bool         `json:"running"`
	Closed   bool         `json:"closed"`
	Remark   string       `json:"remark,omitempty"`
	Virtual  bool         `json:"virtual"`
	Notice   string       `json:"notice,omitempty"`
	Side     string       `json:"side,omitempty"`
	Motor    []Line       `json:"motor"`           // starts in the last hour against the motor's limit
	AbortAt  *Amount      `json:"abort,omitempty"` // a run is broken off above it, 1x
	Stages   []StageLine  `json:"stages"`
	Step     job.Step     `json:"step"`
	Busy     Busy         `json:"busy"`
	Weights  []FanWeight  `json:"weights"` // on the rotor now, relative to as found
	Readings []JobReading `json:"readings"`
	Refused  []Line       `json:"refused"` // readings kept but not used, and why
	History  []JobEvent   `json:"history"` // newest first
	Closing  *JobClosing  `json:"closing,omitempty"`
}

// StageLine is one stage of the job and whether it is behind, here or ahead.
type StageLine struct {
	Name string `json:"name"`
	Is   string `json:"is"` // done, now or later
}

// JobReading is one trusted reading.
type JobReading struct {
	Event   int         `json:"event"`
	Name    string      `json:"name"`
	Speed   Amount      `json:"speed"` // rpm
	Turns   int         `json:"turns"`
	Sensors []JobVector `json:"sensors"`
	Weights []FanWeight `json:"weights"`
}

// JobVector is the 1x of one sensor in one reading, beside what was foretold.
type JobVector struct {
	Sensor    string  `json:"sensor"`
	Amplitude Amount  `json:"amplitude"`
	Phase     Amount  `json:"phase"`
	Expected  *Amount `json:"expected,omitempty"` // before the weights were fitted
	Tolerance *Amount `json:"tolerance,omitempty"`
	Inside    bool    `json:"inside"` // its uncertainty included
	Missing   bool    `json:"missing,omitempty"`
}

// JobEvent is one line of the history.
type JobEvent struct {
	Number int       `json:"n"`
	At     time.Time `json:"at"`
	By     string    `json:"by"`
	Kind   job.Kind  `json:"kind"`
	Text   string    `json:"text"`
	Note   string    `json:"note,omitempty"`
	File   string    `json:"file,omitempty"` // photograph, spectra or take beside the job
	Undone bool      `json:"undone"`
	Can    string    `json:"can,omitempty"` // undo or redo, where it can
}

// JobClosing judges balance and smoothness apart.
type JobClosing struct {
	Balanced   bool          `json:"balanced"`
	Judged     bool          `json:"judged"`
	Sensors    []JobVector   `json:"balance"`
	Severity   []JobSeverity `json:"severity"`
	Zones      string        `json:"zones"`
	Smoothness string        `json:"smoothness"`
}

// JobSeverity is the overall level of one sensor.
type JobSeverity struct {
	Sensor string `json:"sensor"`
	Level  Amount `json:"level"`
	Zone   string `json:"zone"`
}

// velocity is the scale of a job: always a velocity, in the person's length.
func (v View) velocity() Scale {
	if v.inches() {
		return scale("in/s", rotor.Peak)
	}
	return scale("mm/s", rotor.RMS)
}

// text writes a level (m/s peak).
func (s Scale) text(peak float64) string {
	return fmt.Sprintf("%.3g %s", peak*s.factor(), s.Label())
}

// said is the state of a job with its sentences in this person's unit.
func (v View) said(s job.State) job.State {
	sc := v.velocity()
	return s.Said(sc.Unit, sc.Detector)
}

// state writes the job as it is now.
func (b *bench) state(ctx context.Context, v View) (JobState, error) {
	busy, _ := b.busy.get() // before the state: a reading that ends in between shows as going on, never as not taken
	s := v.said(b.job.State())
	events, err := b.job.Events(ctx)
	if err != nil {
		return JobState{}, err
	}
	out := JobState{Schema: 1, ID: b.id, Name: b.name, Station: b.st.Name(), Events: s.Events, Operator: s.Operator, Running: s.Running,
		Closed: s.Closed, Remark: s.Remark, Notice: b.job.Notice(), Step: s.Next(b.desk.now()), Busy: busy.in(v),
		Weights: []FanWeight{}, Motor: []Line{}, Readings: []JobReading{}, Refused: []Line{}, History: []JobEvent{}}
	out.Stages = stagesOf(out.Step)
	if s.Setup == nil {
		return out, nil
	}
	out.Virtual, out.Side = s.Setup.Virtual, s.Setup.Side
	out.Motor, out.AbortAt = motorOf(s, b.desk.now()), abortOf(s, v)
	c := s.Setup.Convention
	out.Weights = weightList(s.Fit.Weights, c)
	tol := s.Tolerances()
	for _, r := range s.Runs {
		out.Readings = append(out.Readings, JobReading{Event: r.Event, Name: r.Name, Speed: plain(rotor.RPM(r.Reading.Speed), 5, "rpm"),
			Turns: r.Reading.Turns, Sensors: vectorsOf(s, r, tol, v), Weights: weightList(r.Fit.Weights, c)})
	}
	for _, r := range s.Refused {
		out.Refused = append(out.Refused, Line{fmt.Sprintf(say("job.event"), r.Event), r.Why})
	}
	for i := len(events) - 1; i >= 0; i-- {
		out.History = append(out.History, historyOf(s, events[i], v))
	}
	out.Closing = closingOf(s, v)
	return out, nil
}

// Wanted is the tolerance of the sensors where one holds for all; nil otherwise.
func (s JobState) Wanted() *Amount {
	var one *Amount
	for _, r := range s.Readings {
		for _, v := range r.Sensors {
			if v.Tolerance == nil || one != nil && *v.Tolerance.Value != *one.Value {
				return nil
			}
			one = v.Tolerance
		}
	}
	return one
}

// Told reports whether anything was foretold of this reading.
func (r JobReading) Told() bool {
	return slices.ContainsFunc(r.Sensors, func(v JobVector) bool { return v.Expected != nil })
}

// LastReading is the event of the newest reading; 0 = none.
func (s JobState) LastReading() int {
	if n := len(s.Readings); n > 0 {
		return s.Readings[n-1].Event
	}
	return 0
}

func stagesOf(st job.Step) (out []StageLine) {
	for g := job.StageLook; g <= job.StageClose; g++ {
		is := "later"
		switch {
		case g < st.Stage || st.Action == job.ActDone:
			is = "done"
		case g == st.Stage:
			is = "now"
		}
		out = append(out, StageLine{say("job.stage." + g.String()), is})
	}
	return out
}

func weightList(ws []rotor.Weight, c rotor.Convention) []FanWeight {
	out := []FanWeight{}
	for _, w := range ws {
		if w.Mass > 0 {
			out = append(out, FanWeight{w.Plane, round(w.Mass*1e3, 5), round(c.Degrees(w.Angle), 5)})
		}
	}
	return out
}

// vectorsOf writes the vectors of a run beside what was foretold for them.
func vectorsOf(s job.State, r job.Run, tol []float64, v View) (out []JobVector) {
	sc := v.velocity()
	want := foretold(s, r)
	for i, l := range s.Levels(r, tol) {
		f, unit := sc.factor(), sc.Label()
		if s.Setup.Sensors[i].Raw {
			f, unit = 1, "raw peak"
		}
		x := JobVector{Sensor: l.Sensor, Inside: l.Inside, Missing: l.Missing, Amplitude: unknown(unit), Phase: unknown("°")}
		if !l.Missing {
			x.Amplitude = measured(l.Amplitude*f, l.Radius95*f, unit)
			if z, ok := vectorIn(r, l.Sensor, s.Setup.Sensors[i].Raw); ok {
				_, deg := s.Setup.Convention.Polar(z)
				x.Phase = phaseAmount(deg, l.Radius95, l.Amplitude)
			}
		}
		if l.Tolerance > 0 {
			a := plain(l.Tolerance*f, 3, unit)
			x.Tolerance = &a
		}
		for _, e := range want {
			if e.Sensor == l.Sensor {
				a := plain(e.Amplitude*f, 3, unit)
				if e.Radius95 != nil {
					a = measured(e.Amplitude*f, *e.Radius95*f, unit)
				}
				x.Expected = &a
			}
		}
		out = append(out, x)
	}
	return out
}

// phaseAmount is an angle with the 95 % half-width that a region of radius r
// around an amplitude leaves; without one the angle is not known.
func phaseAmount(deg, r, amplitude float64) Amount {
	if !(r < amplitude) {
		return unknown("°")
	}
	return measured(rotor.WrapDegrees(deg), math.Asin(r/amplitude)*180/math.Pi, "°")
}

// vectorIn is the 1x of a sensor in a run.
func vectorIn(r job.Run, sensor string, raw bool) (complex128, bool) {
	q := rotor.Velocity
	if raw {
		q = rotor.Raw
	}
	for i, c := range r.Reading.Channels {
		if c.Name == sensor {
			x, ok := r.Reading.In(i, 1, q)
			return x.Value, ok && !cmplx.IsNaN(x.Value)
		}
	}
	return 0, false
}

// foretold is what was expected of the weights that a run was taken with.
func foretold(s job.State, r job.Run) []job.Expected {
	var last []job.Expected
	for _, a := range s.Advice {
		if a.Event < r.Fit.Event && a.Purpose == r.Fit.Purpose {
			last = a.Expected
		}
	}
	return last
}

func closingOf(s job.State, v View) *JobClosing {
	c, ok := s.Closing()
	if !ok {
		return nil
	}
	out := &JobClosing{Balanced: c.Balanced, Judged: c.Judged, Sensors: vectorsOf(s, s.Runs[len(s.Runs)-1], s.Tolerances(), v), Smoothness: c.Smoothness(), Zones: c.Zones.Name}
	sc := v.Scale.level()
	for _, o := range c.Severity {
		a := unknown(sc.Label())
		if o.RMS > 0 {
			a = plain(o.RMS*sc.Unit.PerSI, 3, sc.Label())
		}
		out.Severity = append(out.Severity, JobSeverity{o.Sensor, a, o.Zone})
	}
	return out
}

// historyOf writes one event and what may be done about it.
func historyOf(s job.State, e job.Event, v View) JobEvent {
	out := JobEvent{Number: e.Number, At: e.At, By: e.By, Kind: e.Kind, Note: e.Note, File: e.File, Undone: slices.Contains(s.Undone, e.Number), Text: eventText(s, e, v)}
	switch e.Kind {
	case job.KindLook, job.KindSurvey, job.KindFitted, job.KindMeasured, job.KindSkipped, job.KindAdvised, job.KindClosed:
		out.Can = "undo"
		if out.Undone {
			out.Can = "redo"
		}
	}
	return out
}

func eventText(s job.State, e job.Event, v View) string {
	text := say("job.did." + string(e.Kind))
	switch e.Kind {
	case job.KindLook:
		if e.Look != nil {
			answer := say("job.look.no")
			if e.Look.OK {
				answer = say("job.look.yes." + e.Look.Item)
			}
			for _, it := range job.LookItems {
				if it.Code == e.Look.Item {
					text = it.What + " " + answer + "."
				}
			}
		}
	case job.KindFitted, job.KindAdvised:
		text += " (" + e.Purpose + ")"
		for i, w := range weightList(e.Weights, s.Setup.Convention) {
			sep := ", "
			if i == 0 {
				sep = ": "
			}
			text += fmt.Sprintf("%s%s %g g %g°", sep, w.Plane, w.MassG, w.AngleDeg)
		}
	case job.KindMeasured:
		for _, r := range s.Runs {
			if r.Event == e.Number {
				text += ": " + r.Name
			}
		}
	case job.KindUndone, job.KindRedone, job.KindAmended:
		text += " " + fmt.Sprintf(say("job.event"), e.Target)
	case job.KindAborted:
		text += " " + v.velocity().text(e.Level)
	case job.KindOperator:
		text = fmt.Sprintf(text, e.By)
	}
	return text
}

// For names the step that the forms of the page are for.
func (p jobView) For() string {
	return fmt.Sprint(p.Step.Stage, " ", p.Step.Action, " ", p.Step.Item, " ", p.Step.What)
}
