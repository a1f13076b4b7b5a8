package job

import (
	"fmt"
	"strings"
	"time"
)

// Action is the sort of a step.
type Action string

// The actions, and the kind of event that does each.
const (
	ActDescribe Action = "describe" // KindSetup
	ActLook     Action = "look"     // KindLook or KindSurvey, Item says which
	ActRepair   Action = "repair"   // KindLook with OK, Item says which
	ActWait     Action = "wait"     // nothing before NotBefore
	ActStart    Action = "start"    // KindStarted
	ActMeasure  Action = "measure"  // KindMeasured (or KindAborted)
	ActStop     Action = "stop"     // KindStopped
	ActFit      Action = "fit"      // KindFitted with Purpose and Plane; Advise says which weights
	ActInspect  Action = "inspect"  // KindSkipped with Skip, after the cause was looked for
	ActClose    Action = "close"    // KindClosed
	ActDone     Action = "done"     // nothing is left
)

// Step is what to do next, and why.
type Step struct {
	Stage    Stage     `json:"stage"`
	Action   Action    `json:"action"`
	What     string    `json:"what"`
	Why      string    `json:"why"`
	Cautions []Caution `json:"cautions,omitempty"` // to be shown before it is done

	Item      string    `json:"item,omitempty"`    // of the first look
	Purpose   string    `json:"purpose,omitempty"` // of weights to fit
	Plane     string    `json:"plane,omitempty"`
	NotBefore time.Time `json:"not_before,omitzero"`
	// Skip is the Step of a skipping event that leaves this out; empty where it
	// must not be left out.
	Skip string `json:"skip,omitempty"`
	// Seen is the newest event that this step is based on.
	Seen int `json:"seen"`
}

// keyRepeat is the Skip of the second as-found reading.
const keyRepeat = "repeat"

// Next is the next safe step at the time now, which counts only against the
// motor's starts per hour.
func (s State) Next(now time.Time) Step {
	st := s.safely(s.goal(), now)
	st.Seen = s.Events
	return st
}

// goal is what the job needs next, whatever the rotor does at the moment.
func (s State) goal() Step {
	switch {
	case s.Setup == nil:
		return Step{Stage: StageLook, Action: ActDescribe, What: "Describe the machine, its correction planes and its sensors.",
			Why: "every force, tolerance and angle follows from this."}
	case s.Closed:
		return Step{Stage: StageClose, Action: ActDone, What: "Nothing is left to do: the job is closed.", Why: "it can be reopened at any time."}
	}
	for _, find := range []func() (Step, bool){s.lookGoal, s.unsureGoal, s.abortGoal, s.straightenGoal, s.firstGoal, s.shapeGoal, s.openFitGoal, s.trialGoal} {
		if st, ok := find(); ok {
			return st
		}
	}
	return s.placeGoal()
}

func (s State) lookGoal() (Step, bool) {
	for _, it := range LookItems {
		done, bad := s.looked(it)
		if done && it.Code == ItemSurvey { // what it advises comes at once
			if st, ok := s.straightenGoal(); ok {
				return st, true
			}
		}
		if done {
			continue
		}
		st := Step{Stage: StageLook, Action: ActLook, Item: it.Code, What: it.What, Why: it.Why}
		if bad {
			st.Action, st.What = ActRepair, "Put it right, then look again: "+it.What
		}
		if it.Near {
			st.Cautions = cautionsNear
		} else {
			st.Cautions = AllCautions()
		}
		if !it.Must {
			st.Skip = "look:" + it.Code
		}
		return st, true
	}
	return Step{}, false
}

// unsureGoal: an undone fitting leaves open what is on the rotor.
func (s State) unsureGoal() (Step, bool) {
	if s.Unsure == 0 {
		return Step{}, false
	}
	st := Step{Stage: StageTrial, Action: ActFit, Purpose: s.Fit.Purpose, Plane: s.Fit.Plane, Cautions: cautionsFit,
		What: "Look at the rotor and enter the weights that are really on it now.",
		Why:  fmt.Sprintf("the record of fitting them (event %d) was undone, and a reading with unknown weights is worth nothing.", s.Unsure)}
	if st.Purpose == "" {
		st.Purpose = PurposeBare
	}
	return st, true
}

// abortGoal: what shook too much must not be run again as it is.
func (s State) abortGoal() (Step, bool) {
	a := s.Aborted
	if a == nil || s.skipped(inspectKey(a.Event)) {
		return Step{}, false
	}
	if s.Fit.Event == 0 || s.Fit.Purpose == PurposeBare {
		return Step{Stage: StageFirst, Action: ActInspect, Skip: inspectKey(a.Event), Cautions: cautionsNear,
			What: "Find out why the rotor shakes so much before it is run again, and write down what was found.",
			Why:  fmt.Sprintf("the run was broken off at %s; weights are not the first suspect at such a level: damage, dirt, looseness and resonance are.", s.level(a.Level))}, true
	}
	return Step{Stage: StageTrial, Action: ActFit, Purpose: PurposeBare, Plane: s.Fit.Plane, Cautions: cautionsFit,
		What: "Take the " + s.Fit.Purpose + " weights off again.",
		Why:  fmt.Sprintf("with them the run was broken off at %s; the next weight will be smaller.", s.level(a.Level))}, true
}

func inspectKey(event int) string { return "inspect:" + itoa(event) }

// firstGoal: two readings with a stop between them, before anything changes.
func (s State) firstGoal() (Step, bool) {
	var found []Run
	for _, r := range s.Runs {
		if !weighty(r.Fit.Weights) {
			found = append(found, r)
		}
	}
	if len(found) == 0 && weighty(s.Fit.Weights) {
		return Step{Stage: StageFirst, Action: ActFit, Purpose: PurposeBare, Cautions: cautionsFit, What: "Take all weights of this job off.",
			Why: "there is no valid reading of the rotor as found."}, true
	}
	if len(found) == 0 {
		return Step{Stage: StageFirst, Action: ActMeasure, What: "Take the first reading, the rotor as found.",
			Why: "everything that follows is compared with it."}, true
	}
	found = without(found, func(r Run) bool { return r.Shape != s.Shape })
	if len(s.Fits) > 0 || s.skipped(keyRepeat) || len(found) == 0 || found[0].Begun != found[len(found)-1].Begun {
		return Step{}, false
	}
	return Step{Stage: StageFirst, Action: ActMeasure, Skip: keyRepeat, What: "Repeat the first reading after a stop.",
		Why: "two readings of the same rotor show how well any reading can be trusted."}, true
}

// openFitGoal: what was fitted is measured before anything else is changed.
func (s State) openFitGoal() (Step, bool) {
	if s.Fit.Event == 0 || s.Fit.Purpose == PurposeBare || len(s.runsOf(s.Fit.Event)) > 0 {
		return Step{}, false
	}
	st := Step{Stage: StageProof, Action: ActMeasure, Plane: s.Fit.Plane, What: "Take the reading with the weights as they are now.",
		Why: "only a reading proves what the weights do."}
	if s.Fit.Purpose == PurposeTrial {
		st.Stage = StageTrial
		st.What = fmt.Sprintf("Take the reading with the trial weight on %q.", s.Fit.Plane)
		st.Why = "the change it makes tells how the machine answers to a weight there."
	}
	return st, true
}

func (s State) trialGoal() (Step, bool) {
	if s.corrected() {
		return Step{}, false
	}
	if len(s.Fits) == 0 {
		if ok, _ := inside(s.Levels(s.Runs[len(s.Runs)-1], s.Tolerances())); ok {
			return s.closeStep("the rotor is inside its tolerance as found: no weight is needed."), true
		}
	}
	if rep := s.Repeatability(); rep > poorRepeat && len(s.Fits) == 0 && !s.skipped(keyPoorRepeat) {
		return Step{Stage: StageFirst, Action: ActInspect, Skip: keyPoorRepeat, Cautions: cautionsNear,
			What: "Find out why the rotor did not show the same vector after a stop: looseness, water, a moved sensor or mark, rubbing, a speed near resonance. Write down what was found, or undo the reading that was wrong.",
			Why:  fmt.Sprintf("between the as-found readings a vector scatters by %.2g %% beyond what the readings state of themselves; a trial weight would drown in that.", rep*100)}, true
	}
	for _, p := range s.Setup.Planes {
		if s.tried(p.Name) || s.skipped("trial:"+p.Name) {
			continue
		}
		on := "comes off again after its reading"
		if s.Setup.TrialStays {
			on = "stays on"
		}
		return Step{Stage: StageTrial, Action: ActFit, Purpose: PurposeTrial, Plane: p.Name, Cautions: cautionsFit, Skip: "trial:" + p.Name,
			What: fmt.Sprintf("Weigh the trial weight and fit it on plane %q.", p.Name),
			Why:  "nobody knows yet how this machine answers to a weight there. It " + on + "."}, true
	}
	return Step{}, false
}

// poorRepeat is the relative scatter from run to run above which the first
// reading is not worth building on: a trial weight is meant to change the vector
// by 30 %, and a third of that is too much to be in doubt. Common practice, no
// source.
const (
	poorRepeat    = 0.1
	keyPoorRepeat = "inspect:repeat"
)

func (s State) tried(plane string) bool {
	for _, r := range s.Runs {
		if r.Fit.Purpose == PurposeTrial && r.Fit.Plane == plane {
			return true
		}
	}
	return false
}

// corrected tells whether a correction was ever measured.
func (s State) corrected() bool {
	for _, r := range s.Runs {
		if r.Fit.Purpose == PurposeCorrection || r.Fit.Purpose == PurposeTrim {
			return true
		}
	}
	return false
}

func (s State) placeGoal() Step {
	if a := s.wrongCorrection(); a != nil {
		return Step{Stage: StagePlace, Action: ActInspect, Skip: inspectKey(a.Event), Cautions: cautionsNear,
			What: "Find out why the correction made it worse before anything else is fitted: angles counted the other way, planes or sensors exchanged, a trial weight left on. Amend the record that was wrong, or write down what was found.",
			Why:  fmt.Sprintf("the run with the worked-out weights was broken off at %s; what was recorded and what is on the rotor cannot be the same.", s.level(a.Level))}
	}
	if !s.corrected() {
		if st, ok := s.provedGoal(); ok {
			return st
		}
		if ok, _ := inside(s.Levels(s.Runs[len(s.Runs)-1], s.Tolerances())); ok && s.Shape != 0 && !weighty(s.Fit.Weights) {
			return s.closeStep("straightening the blades was enough: every sensor is inside its tolerance, its uncertainty included, without a weight.")
		}
		return Step{Stage: StagePlace, Action: ActFit, Purpose: PurposeCorrection, Cautions: cautionsFit,
			What: "Take the trial weights off and fit the correction on its places.",
			Why:  "the runs so far say which weights bring all sensors lowest."}
	}
	last := s.Runs[len(s.Runs)-1]
	ls := s.Levels(last, s.Tolerances())
	ok, known := inside(ls)
	placed := s.Fit.Purpose == PurposeCorrection || s.Fit.Purpose == PurposeTrim
	switch {
	case placed && ok:
		return s.closeStep("every sensor is inside its tolerance, its uncertainty included.")
	case placed && !known:
		return s.closeStep("there is no tolerance to prove against: give one, or close with a note.")
	case s.trims() < s.trimLimit():
		return Step{Stage: StagePlace, Action: ActFit, Purpose: PurposeTrim, Cautions: cautionsFit,
			What: "Fit the trim: the weights worked out anew from all runs.",
			Why:  s.outside(ls) + " Every run so far has taught the answer of the machine better."}
	case !s.skipped(keyTrims):
		return Step{Stage: StageProof, Action: ActInspect, Skip: keyTrims, Cautions: cautionsNear,
			What: "Stop fitting weights and look for another cause: looseness, resonance, a slip in a recorded weight or angle. Write down what was found.",
			Why:  fmt.Sprintf("after %d trims still: %s", s.trims(), s.outside(ls))}
	}
	return s.closeStep(s.outside(ls) + " The job can only be closed with a note.")
}

// wrongCorrection is a run with worked-out weights that had to be broken off,
// with nothing measured and nothing put right since.
func (s State) wrongCorrection() *Abort {
	if len(s.Aborts) == 0 {
		return nil
	}
	a := &s.Aborts[len(s.Aborts)-1]
	worked := a.Fit.Purpose == PurposeCorrection || a.Fit.Purpose == PurposeTrim
	if !worked || s.skipped(inspectKey(a.Event)) || len(s.Runs) > 0 && s.Runs[len(s.Runs)-1].Event > a.Event {
		return nil
	}
	return a
}

// keyTrims is the Skip of the search for a cause after the last trim.
const keyTrims = "inspect:trims"

func (s State) trimLimit() int {
	if s.Setup.Trims > 0 {
		return s.Setup.Trims
	}
	return 2
}

func (s State) closeStep(why string) Step {
	if c, ok := s.Closing(); ok {
		why += " " + c.Smoothness()
	}
	return Step{Stage: StageClose, Action: ActClose, Why: why,
		What: "Judge balance and smoothness, each for itself, and close the job."}
}

// outside names the sensors that are not proved to be inside.
func (s State) outside(ls []Level) string {
	var out []string
	for _, l := range ls {
		switch {
		case l.Tolerance <= 0 || l.Inside:
		case l.Missing:
			out = append(out, l.Sensor+" gave no usable reading")
		default:
			out = append(out, fmt.Sprintf("%s shows %s +- %s, tolerance %s", l.Sensor, s.level(l.Amplitude), s.level(l.Radius95), s.level(l.Tolerance)))
		}
	}
	if out == nil {
		return "No sensor is outside its tolerance."
	}
	return "Not inside the tolerance: " + strings.Join(out, "; ") + "."
}
