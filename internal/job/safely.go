package job

import (
	"fmt"
	"time"

	"counterpoise/internal/rotor"
)

// safely turns a goal into the step that may be taken now: a rotor is stopped
// before anyone goes near it, and started only when the motor allows it.
func (s State) safely(goal Step, now time.Time) Step {
	switch goal.Action {
	case ActFit, ActRepair, ActInspect:
		if s.Running {
			return s.stopFirst(goal)
		}
	case ActLook:
		if it, _ := lookItem(goal.Item); it.Near && s.Running {
			return s.stopFirst(goal)
		}
	case ActMeasure:
		if s.Aborted != nil && s.Running {
			return s.stopFirst(goal)
		}
		if s.Running && s.repeats() {
			return s.stopFirst(goal)
		}
		if !s.Running {
			return s.startFirst(goal, now)
		}
		goal.Cautions = cautionsRun
		if n := len(s.Refused); n > 0 && (len(s.Runs) == 0 || s.Refused[n-1].Event > s.Runs[len(s.Runs)-1].Event) {
			goal.Why = "the last reading is kept but was not used: " + s.Refused[n-1].Why
		}
	}
	return goal
}

// repeats tells whether a reading now would only repeat one of the same run-up
// where a stop between them is the point.
func (s State) repeats() bool {
	n := len(s.Runs)
	return n > 0 && s.Fit.Event == 0 && s.Runs[n-1].Begun == s.Begun
}

func (s State) stopFirst(goal Step) Step {
	return Step{Stage: goal.Stage, Action: ActStop, Plane: goal.Plane, Purpose: goal.Purpose, Skip: goal.Skip, Cautions: cautionsNear,
		What: "Stop the rotor and prove that it stands.", Why: "the next thing to do is: " + goal.What}
}

func (s State) startFirst(goal Step, now time.Time) Step {
	st := Step{Stage: goal.Stage, Action: ActStart, Plane: goal.Plane, Purpose: goal.Purpose, Skip: goal.Skip, Cautions: cautionsStart,
		What: "Start the rotor, watch the run-up, and let speed and temperature settle.", Why: "the next thing to do is: " + goal.What}
	if a := s.Setup.Abort; a > 0 {
		st.What = fmt.Sprintf("Start the rotor and watch the run-up: stop at once above %s. Then let speed and temperature settle.", s.level(a))
	}
	limit := s.Setup.StartsPerHour
	if limit <= 0 {
		return st
	}
	if t, ok := s.startAllowed(now); !ok {
		st.Action, st.NotBefore, st.Cautions = ActWait, t, nil
		st.What = fmt.Sprintf("Wait %s before the next start.", t.Sub(now).Round(time.Second))
		st.Why = fmt.Sprintf("the motor may be started %d times an hour, and each start heats it.", limit)
		return st
	}
	st.What += fmt.Sprintf(" This is start %d of %d within an hour.", s.startsWithin(now)+1, limit)
	return st
}

// startsWithin counts the starts of the hour before now.
func (s State) startsWithin(now time.Time) int {
	n := 0
	for _, t := range s.Starts {
		if now.Sub(t) < time.Hour {
			n++
		}
	}
	return n
}

// startAllowed tells whether the motor may be started at now, and if not when.
func (s State) startAllowed(now time.Time) (at time.Time, ok bool) {
	limit := s.Setup.StartsPerHour
	if limit <= 0 || s.startsWithin(now) < limit {
		return now, true
	}
	at = s.Starts[len(s.Starts)-limit].Add(time.Hour)
	if latest := now.Add(time.Hour); at.After(latest) { // the clock was put back and nothing was recorded since
		at = latest
	}
	return at, false
}

// weighty tells whether any weight is on the rotor.
func weighty(ws []rotor.Weight) bool {
	for _, w := range ws {
		if w.Mass > 0 {
			return true
		}
	}
	return false
}
