package job

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"counterpoise/internal/rotor"
)

// check says in one sentence why an event must not be stored; nil = it may.
func (s State) check(e Event, events []Event) error {
	if e.At.IsZero() {
		return errors.New("the event has no time")
	}
	if err := s.checkOperator(e); err != nil {
		return err
	}
	switch e.Kind {
	case KindOperator, KindNoted:
		return nil
	case KindUndone, KindRedone, KindAmended:
		return s.checkRewrite(e, events)
	case KindReopened:
		if !s.Closed {
			return errors.New("the job is open already")
		}
		return nil
	case KindSetup:
		if e.Setup == nil {
			return errors.New("the description of the job is missing")
		}
		return s.checkSetup(*e.Setup)
	}
	if s.Setup == nil {
		return errors.New("describe the machine, its planes and its sensors first: without them nothing can be judged")
	}
	if s.Closed {
		return errors.New("the job is closed: reopen it to go on")
	}
	switch e.Kind {
	case KindLook:
		return s.checkLook(e)
	case KindSurvey:
		_, _, err := e.survey()
		return err
	case KindStraightened:
		return s.checkStraightened(e)
	case KindStarted:
		return s.checkStart(e)
	case KindStopped:
		if !s.Running {
			return errors.New("the rotor is recorded as standing already")
		}
	case KindAborted, KindMeasured:
		return s.checkRun(e)
	case KindFitted:
		if s.Running {
			return errors.New("weights cannot have been changed while the rotor turns: record the stop first, and only after it was proved to stand")
		}
		return s.Setup.checkFit(e)
	case KindAdvised:
		return s.Setup.checkFit(e)
	case KindSkipped:
		return s.checkSkip(e)
	case KindClosed:
		return s.checkClose(e)
	default:
		return fmt.Errorf("event kind %q is not known", e.Kind)
	}
	return nil
}

// LeaseTime is how long an operator may be silent before another takes over
// without saying why.
const LeaseTime = 10 * time.Minute

// checkOperator: several may look, one operates.
func (s State) checkOperator(e Event) error {
	if e.Kind == KindNoted {
		return nil
	}
	silent := max(0, e.At.Sub(s.Active)) // a clock that was put back makes nobody act in the future
	switch {
	case e.Kind == KindOperator && e.By == "":
		return errors.New("say who takes the job in hand")
	case s.Operator == "" || e.By == s.Operator:
		return nil
	case e.Kind == KindOperator && (silent >= LeaseTime || e.Note != ""):
		return nil
	case e.Kind == KindOperator:
		return fmt.Errorf("%s operates this job (last act %s ago): agree with them, then take over with a note that says so", s.Operator, silent.Round(time.Second))
	}
	return fmt.Errorf("%s operates this job; you may look on, or take it over with a note", s.Operator)
}

// checkRewrite: what can be taken back are records, never what the world did.
func (s State) checkRewrite(e Event, events []Event) error {
	if e.Target < 1 || e.Target > len(events) {
		return fmt.Errorf("there is no event %d", e.Target)
	}
	t := events[e.Target-1]
	out := slices.Contains(s.Undone, e.Target)
	switch {
	case e.Kind == KindRedone && !out:
		return fmt.Errorf("event %d counts already", e.Target)
	case e.Kind == KindUndone && out:
		return fmt.Errorf("event %d is undone already", e.Target)
	}
	switch t.Kind {
	case KindStarted, KindStopped, KindAborted, KindStraightened:
		return fmt.Errorf("event %d (%s) cannot be taken back: the motor and the people have been through it; add a note instead", e.Target, t.Kind)
	case KindUndone, KindRedone, KindAmended, KindOperator, KindNoted:
		return fmt.Errorf("event %d (%s) cannot be taken back; a new event can say otherwise", e.Target, t.Kind)
	}
	if e.Kind == KindUndone && t.Kind == KindSetup && !anotherSetup(events, s.Undone, e.Target) {
		return errors.New("the only description of the job cannot be undone: describe it anew instead")
	}
	if e.Kind == KindUndone && t.Kind == KindFitted && s.Running && e.Target == s.Fit.Event {
		return errors.New("the record of the weights on the rotor cannot be changed while it turns: stop it and look what is really on it")
	}
	if e.Kind != KindAmended {
		return nil
	}
	if s.Setup == nil || t.Kind != KindFitted && t.Kind != KindLook {
		return fmt.Errorf("event %d (%s) cannot be amended: undo it and enter the step again", e.Target, t.Kind)
	}
	if t.Kind == KindLook {
		return s.checkLook(t.amendedBy(e))
	}
	return s.Setup.checkFit(t.amendedBy(e))
}

func anotherSetup(events []Event, undone []int, not int) bool {
	return slices.ContainsFunc(events, func(e Event) bool {
		return e.Kind == KindSetup && e.Number != not && !slices.Contains(undone, e.Number)
	})
}

func (s State) checkSetup(u Setup) error {
	if len(u.Planes) == 0 || len(u.Sensors) == 0 {
		return errors.New("a job needs at least one correction plane and one sensor")
	}
	names := map[string]bool{}
	for _, p := range u.Planes {
		if p.Name == "" || names[p.Name] {
			return fmt.Errorf("plane name %q is empty or used twice", p.Name)
		}
		names[p.Name] = true
	}
	clear(names)
	for _, sen := range u.Sensors {
		if sen.Name == "" || names[sen.Name] {
			return fmt.Errorf("sensor name %q is empty or used twice", sen.Name)
		}
		if !(sen.Tolerance >= 0) || math.IsInf(sen.Tolerance, 0) {
			return fmt.Errorf("the tolerance of %s must be zero (none) or more", sen.Name)
		}
		names[sen.Name] = true
	}
	if err := u.Known.check(u); err != nil {
		return err
	}
	if u.StartsPerHour < 0 || u.Trims < 0 || !(u.Abort >= 0) {
		return errors.New("starts per hour, trims and abort level must not be negative")
	}
	if s.Setup == nil || len(s.Runs) == 0 {
		return nil
	}
	for _, old := range s.Setup.Sensors {
		if !names[old.Name] {
			return fmt.Errorf("sensor %s has readings in this job and must stay; start a new job if the sensors have changed", old.Name)
		}
	}
	for _, w := range s.Fit.Weights {
		if !slices.ContainsFunc(u.Planes, func(p rotor.Plane) bool { return p.Name == w.Plane }) {
			return fmt.Errorf("plane %q carries a weight and must stay in the job", w.Plane)
		}
	}
	if u.Fingerprint != s.Setup.Fingerprint {
		return errors.New("board, channels or delays are not those of the readings in this job: start a new job, or put the old set-up back")
	}
	return nil
}

func (s State) checkLook(e Event) error {
	if e.Look == nil {
		return errors.New("the answer to the first look is missing")
	}
	it, ok := lookItem(e.Look.Item)
	if !ok {
		return fmt.Errorf("the first look has no point %q", e.Look.Item)
	}
	if it.Near && s.Running {
		return errors.New("nobody can look at the rotor closely while it turns: record the stop first")
	}
	if !e.Look.OK && e.Note == "" {
		return errors.New("say in a note what is wrong")
	}
	return nil
}

func (s State) checkStart(e Event) error {
	if s.Running {
		return errors.New("the rotor is recorded as running already")
	}
	if e.Purpose == AlreadyRunning {
		return nil
	}
	for _, it := range LookItems {
		if done, bad := s.looked(it); it.Must && (bad || !done) {
			return fmt.Errorf("the rotor must not be started before this is answered with yes: %s", it.What)
		}
	}
	if v := s.Surveyed; v != nil && len(v.Cracked) > 0 {
		return errors.New("the survey says that a blade is cracked: the rotor must not be started before it is replaced and the blades are surveyed again")
	}
	if a := s.Aborted; a != nil && !s.skipped(inspectKey(a.Event)) {
		return fmt.Errorf("with these weights the run was broken off at %s: change them or write down what was found before the next start", s.level(a.Level))
	}
	if t, ok := s.startAllowed(e.At); !ok {
		return fmt.Errorf("the motor's %d starts within an hour are used up: the next start is allowed in %s", s.Setup.StartsPerHour, t.Sub(e.At).Round(time.Second))
	}
	return nil
}

func (s State) checkRun(e Event) error {
	if !s.Running {
		return errors.New("the rotor is recorded as standing: record its start first (or that it was found running)")
	}
	if e.Kind == KindAborted {
		if !(e.Level >= 0) || math.IsInf(e.Level, 0) {
			return errors.New("the level at which the run was broken off is not a number")
		}
		return nil
	}
	if e.Reading == nil {
		return errors.New("the reading is missing")
	}
	if s.Aborted != nil {
		return errors.New("this run was broken off: stop the rotor before anything is measured")
	}
	if n := len(e.Overall); n != 0 && n != len(s.Setup.Sensors) {
		return fmt.Errorf("%d overall levels for %d sensors", n, len(s.Setup.Sensors))
	}
	for _, ch := range e.Reading.Channels {
		if slices.ContainsFunc(s.Setup.Sensors, func(k Sensor) bool { return k.Name == ch.Name }) {
			return nil
		}
	}
	return errors.New("the reading has none of the job's sensors: is another board or another set-up connected?")
}

// checkFit refuses weights that cannot be or must not be on the rotor.
func (u *Setup) checkFit(e Event) error {
	switch e.Purpose {
	case PurposeTrial:
		if !slices.ContainsFunc(u.Planes, func(p rotor.Plane) bool { return p.Name == e.Plane }) {
			return fmt.Errorf("the trial weight's plane %q is not a plane of this job", e.Plane)
		}
	case PurposeCorrection, PurposeTrim, PurposeBare:
	default:
		return fmt.Errorf("purpose %q of the weights is not known: trial, correction, trim or bare", e.Purpose)
	}
	return u.CheckForce(e.Weights)
}

func (s State) checkSkip(e Event) error {
	if e.Note == "" {
		return errors.New("say in a note why the step is left out")
	}
	goal := s.Next(e.At)
	if goal.Skip == "" {
		return fmt.Errorf("this step must not be left out: %s", goal.What)
	}
	if goal.Skip != e.Step {
		return fmt.Errorf("the step to be left out (%q) is not the one that is due now: %s", e.Step, goal.What)
	}
	return nil
}

func (s State) checkClose(e Event) error {
	if e.Note != "" {
		return nil
	}
	if st := s.goal(); st.Action != ActClose {
		return fmt.Errorf("the job is not finished (%s) and can only be closed with a note that says why", st.What)
	}
	if ok, _ := inside(s.Levels(s.Runs[len(s.Runs)-1], s.Tolerances())); !ok {
		return errors.New("the rotor is not proved to be inside its tolerance: the job can only be closed with a note that says why")
	}
	return nil
}
