package job

import (
	"slices"
	"time"

	"counterpoise/internal/balance"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Stage is a part of the job.
type Stage uint8

// The stages in their order. A trim is place and proof once more.
const (
	StageLook Stage = iota
	StageFirst
	StageTrial
	StagePlace
	StageProof
	StageClose
)

func (s Stage) String() string {
	return [...]string{"look", "first reading", "trial", "place", "proof", "close"}[s]
}

// MarshalText lets a stage stand in JSON by its name.
func (s Stage) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// State is what the events of a job amount to. It is a value that is never
// altered once it was handed out; its slices are only read.
type State struct {
	Events int       // number of the newest event
	At     time.Time // of the newest event
	Setup  *Setup    // nil before the job is described

	Answers []Answer // of the first look, in the order given
	Surveys []int    // events that hold a blade survey
	Skips   []Skip

	Surveyed     *Surveyed      // the newest survey; nil = none
	Straightened []Straightened // in order
	Shape        int            // event of the newest straightening; 0 = blades as found

	Running bool        // started and not yet proved to stand still
	Begun   int         // how many times the rotor was started or found running
	Starts  []time.Time // of the motor, also of those in undone events: heat cannot be undone
	Aborts  []Abort     // runs broken off
	Aborted *Abort      // the one with the present weights, if any

	Fit     Fit   // what is on the rotor now
	Fits    []Fit // all of them, in order
	Unsure  int   // an undone fitting since which nobody has said what is on the rotor; 0 = none
	Runs    []Run // trusted readings, in order
	Refused []Refused
	Advice  []Advised

	Seen float64 // rad/s, highest speed that was measured

	Operator string    // who operates; empty = nobody has taken the job in hand
	Active   time.Time // the operator's newest event
	Closed   bool
	Remark   string // the note given at closing
	Undone   []int  // events that do not count at present

	unit     rotor.Unit // in which sentences write levels; zero = mm/s rms
	detector rotor.Detector

	stated float64 // rad/s, highest speed of the set-up as it was described; 0 = none
	graded float64 // m/s peak, tolerance that follows from the machine's grade; 0 = not known
}

// Answer to one point of the first look.
type Answer struct {
	Event int
	Item  string
	OK    bool
	Note  string
	File  string // photograph
}

// Skip of one step, with its reason.
type Skip struct {
	Event int
	Step  string
	Note  string
}

// Abort of a run.
type Abort struct {
	Event int
	Fit   Fit     // what was on the rotor
	Level float64 // m/s peak, as seen
	Note  string
}

// Fit is a set of weights, total relative to as found, from one moment on.
// The zero value is the rotor as found.
type Fit struct {
	Event   int
	Purpose string // empty = as found
	Plane   string // of a trial
	Weights []rotor.Weight
}

// Run is a reading that counts, with the weights that were on the rotor.
type Run struct {
	Event   int
	Begun   int // which start of the rotor it belongs to
	Name    string
	Stage   Stage
	Fit     Fit
	Shape   int // of the blades: event of the newest straightening before it; 0 = as found
	Reading *phase.Reading
	Overall []float64 // m/s rms per sensor; 0 = not measured
}

// Refused is a reading that is kept but not used.
type Refused struct {
	Event int
	Why   string
}

// Advised weights, as they were shown.
type Advised struct {
	Event    int
	Purpose  string
	Plane    string
	Weights  []rotor.Weight
	Verdicts []balance.Verdict
	Expected []Expected
}

// fold derives the state from all events.
func fold(events []Event) State {
	counts := effective(events)
	var s State
	for i, e := range events {
		s = s.apply(e, counts[i])
	}
	return s
}

// counted is what an event amounts to after undo, redo and amend.
type counted struct {
	out     bool   // does not count
	instead *Event // its fields come from this amending event
}

// effective finds for every event whether and as what it counts.
func effective(events []Event) []counted {
	c := make([]counted, len(events))
	for i := range events {
		e := &events[i]
		if e.Target < 1 || e.Target > i {
			continue
		}
		switch t := &c[e.Target-1]; e.Kind {
		case KindUndone:
			t.out = true
		case KindRedone:
			t.out = false
		case KindAmended:
			t.instead = e
		}
	}
	return c
}

// rewrites tells whether an event changes what earlier ones amount to.
func (e *Event) rewrites() bool {
	return e.Kind == KindUndone || e.Kind == KindRedone || e.Kind == KindAmended
}

// apply returns the state after one more event. It never writes into what s
// refers to: slices grow past the length that s knows, which is safe because
// only the newest state is ever built upon.
func (s State) apply(e Event, c counted) State {
	s.Events, s.At = e.Number, e.At
	s.Starts = notAfter(s.Starts, e.At)
	if e.By != "" && (e.By == s.Operator || e.Kind == KindOperator) {
		s.Operator, s.Active = e.By, e.At
	}
	if c.out {
		s.Undone = append(s.Undone, e.Number)
		if e.Kind == KindFitted {
			s.Unsure = e.Number
		}
		if e.Kind == KindStarted && e.Purpose != AlreadyRunning {
			s.Starts = append(s.Starts, e.At)
		}
		return s
	}
	if c.instead != nil {
		e = e.amendedBy(*c.instead)
	}
	switch e.Kind {
	case KindSetup:
		s.Setup = e.Setup
		s.stated = max(s.Setup.Machine.Speed, s.Setup.Machine.MaxSpeed)
		s = s.faster(s.Seen)
	case KindLook:
		if e.Look == nil {
			break
		}
		a := Answer{e.Number, e.Look.Item, e.Look.OK, e.Note, e.File}
		s.Answers = append(without(s.Answers, func(b Answer) bool { return b.Item == a.Item }), a)
	case KindSurvey:
		s = s.surveyed(e)
	case KindStraightened:
		s = s.straightened(e)
	case KindStarted:
		s.Running, s.Aborted = true, nil
		s.Begun++
		if e.Purpose != AlreadyRunning {
			s.Starts = append(s.Starts, e.At)
		}
	case KindStopped:
		s.Running = false
	case KindAborted:
		s.Aborts = append(s.Aborts, Abort{e.Number, s.Fit, e.Level, e.Note})
		s.Aborted = &s.Aborts[len(s.Aborts)-1]
	case KindFitted:
		s.Fit = Fit{e.Number, e.Purpose, e.Plane, e.Weights}
		s.Fits = append(s.Fits, s.Fit)
		s.Aborted, s.Unsure = nil, 0
	case KindMeasured:
		s = s.measured(e)
	case KindAdvised:
		s.Advice = append(s.Advice, Advised{e.Number, e.Purpose, e.Plane, e.Weights, e.Verdicts, e.Expected})
	case KindSkipped:
		s.Skips = append(s.Skips, Skip{e.Number, e.Step, e.Note})
	case KindClosed:
		s.Closed, s.Remark = true, e.Note
	case KindReopened:
		s.Closed = false
	}
	return s
}

// notAfter is the starts with none later than the time of a later event: a clock
// that was put back must not lock a motor until it has caught up.
func notAfter(starts []time.Time, at time.Time) []time.Time {
	if len(starts) == 0 || !starts[len(starts)-1].After(at) {
		return starts
	}
	out := slices.Clone(starts)
	for i, t := range out {
		if t.After(at) {
			out[i] = at
		}
	}
	return out
}

// amendedBy keeps what identifies the event and takes the content of the other.
func (e Event) amendedBy(a Event) Event {
	a.Number, a.At, a.By, a.Kind, a.Target = e.Number, e.At, e.By, e.Kind, 0
	return a
}

func (s State) measured(e Event) State {
	why := untrusted(e.Reading)
	if why == "" && s.Setup != nil {
		why = s.Setup.missing(e.Reading)
	}
	if s.Unsure != 0 {
		why = "the record of the weights that were on the rotor (event " + itoa(s.Unsure) + ") was undone"
	}
	if why != "" {
		s.Refused = append(s.Refused, Refused{e.Number, why})
		return s
	}
	r := Run{Event: e.Number, Begun: s.Begun, Fit: s.Fit, Shape: s.Shape, Reading: e.Reading, Overall: e.Overall}
	r.Stage, r.Name = s.role()
	s.Runs = append(s.Runs, r)
	s = s.faster(e.Reading.Speed)
	if s.Setup != nil {
		s.graded = s.gradeTolerance()
	}
	return s
}

// faster takes a measured speed (rad/s) for the highest that the rotor can reach
// where less was stated (where nothing was, it stays unknown): a weight pulls at the speed that is, and every limit of
// force is judged by the set-up.
func (s State) faster(speed float64) State {
	s.Seen = max(s.Seen, speed)
	if s.Setup == nil || s.stated == 0 || !(s.Seen > max(s.Setup.Machine.Speed, s.Setup.Machine.MaxSpeed)) {
		return s
	}
	u := *s.Setup
	u.Machine.MaxSpeed = s.Seen
	if !balance.SameSpeed(s.Seen, s.stated) {
		u.Machine.Speed = s.Seen // a balance grade permits less at the higher speed
	}
	s.Setup = &u
	return s
}

// untrusted says why a reading must not be used; empty = it may.
func untrusted(r *phase.Reading) string {
	if r == nil {
		return "the event carries no reading"
	}
	for _, f := range r.Flags {
		if f.Fatal {
			return f.Text
		}
	}
	if !r.Trusted() {
		return "no whole turn was accepted"
	}
	return ""
}

// missing says which sensor of the job a reading gives no vector of though it
// was measured; empty = none. A channel that the job does not use may fail.
func (u *Setup) missing(r *phase.Reading) string {
	for _, sen := range u.Sensors {
		for _, ch := range r.Channels {
			if ch.Name == sen.Name && ch.Refused != "" {
				return "sensor " + sen.Name + " gives no vector: " + ch.Refused
			}
		}
	}
	return ""
}

// role names a reading taken now, from what is on the rotor.
func (s State) role() (Stage, string) {
	name, stage := "", StageProof
	switch {
	case !weighty(s.Fit.Weights):
		stage, name = StageFirst, "as found"
		if s.Shape != 0 {
			name = "straightened"
		}
	case s.Fit.Purpose == PurposeTrial:
		stage, name = StageTrial, "trial "+s.Fit.Plane
	case s.Fit.Purpose == PurposeCorrection:
		name = "proof"
	case s.Fit.Purpose == PurposeTrim:
		name = "proof after trim " + itoa(s.trims())
	default:
		stage, name = StageTrial, "before the next trial"
	}
	n := 1
	for _, r := range s.Runs {
		if r.Fit.Event == s.Fit.Event && r.Shape == s.Shape {
			n++
		}
	}
	if s.Shape != 0 && weighty(s.Fit.Weights) {
		name += ", straightened"
	}
	if n > 1 {
		name += ", reading " + itoa(n)
	}
	return stage, name
}

// trims counts the trims that were fitted.
func (s State) trims() int {
	n := 0
	for _, f := range s.Fits {
		if f.Purpose == PurposeTrim {
			n++
		}
	}
	return n
}

// runsOf returns the runs taken with one fit; 0 is as found.
func (s State) runsOf(fit int) []Run {
	var rs []Run
	for _, r := range s.Runs {
		if r.Fit.Event == fit {
			rs = append(rs, r)
		}
	}
	return rs
}

func (s State) skipped(step string) bool {
	return slices.ContainsFunc(s.Skips, func(k Skip) bool { return k.Step == step })
}

func (s State) answer(item string) (Answer, bool) {
	for _, a := range s.Answers {
		if a.Item == item {
			return a, true
		}
	}
	return Answer{}, false
}

// without returns a copy of list with those left out that drop picks.
func without[T any](list []T, drop func(T) bool) []T {
	return slices.DeleteFunc(slices.Clone(list), drop)
}

// Case is the job as the solver sees it: every trusted reading is one run.
func (s State) Case() balance.Case {
	if s.Setup == nil {
		return balance.Case{}
	}
	c := balance.Case{Machine: s.Setup.Machine, Planes: s.Setup.Planes, Errors: s.Setup.Errors}
	for _, sen := range s.Setup.Sensors {
		c.Sensors = append(c.Sensors, balance.Sensor{Name: sen.Name, Tolerance: sen.Tolerance})
	}
	for _, r := range s.Runs {
		c.Runs = append(c.Runs, s.Setup.run(r))
	}
	c.Errors.Repeat = max(c.Errors.Repeat, s.Repeatability())
	return c
}

// shapeName is the state of the solver in which a shape of the blades stands:
// moved blades give the rotor another as-found vector, while the answer to
// weights stays.
func shapeName(shape int) string {
	if shape == 0 {
		return ""
	}
	return "blades moved in event " + itoa(shape)
}

// run reads the once-per-revolution vectors of the setup's sensors.
func (u *Setup) run(r Run) balance.Run {
	out := balance.Run{Name: r.Name, Weights: r.Fit.Weights, Speed: r.Reading.Speed, State: shapeName(r.Shape)}
	for _, sen := range u.Sensors {
		out.Vectors = append(out.Vectors, u.vector(sen, r.Reading))
	}
	return out
}

func (u *Setup) vector(sen Sensor, r *phase.Reading) balance.Vector {
	q := rotor.Velocity
	if sen.Raw {
		q = rotor.Raw
	}
	i := slices.IndexFunc(r.Channels, func(c phase.ChannelReading) bool { return c.Name == sen.Name })
	c, ok := r.In(i, 1, q)
	if !ok {
		return balance.Vector{Missing: true}
	}
	return balance.Vector{V: c.Value, Cov: c.Cov, DoF: c.DoF, Known: true}
}
