package job

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"

	"counterpoise/internal/blades"
	"counterpoise/internal/blades/surveyfile"
)

// BladeMove is what was done to one blade: by how much its track (m, +
// downstream) and its pitch (rad, + steeper) were changed.
type BladeMove struct {
	Blade int     `json:"blade"`
	Track float64 `json:"track,omitempty"`
	Pitch float64 `json:"pitch,omitempty"`
}

// Surveyed is a blade survey that was kept, and what it advises.
type Surveyed struct {
	Event int
	Shape int // of the rotor when it was read: the newest straightening before it, 0 = as found
	Moves []BladeMove
	Sure  bool   // the blades are out by more than the reading error
	Wrong string // why no move is advised though the blades are not in order; empty = they are, or Moves help
	// Cracked are blades with a crack: with one the rotor must not run.
	Cracked []int
	sheet   json.RawMessage
}

// Straightened is a change of the blades during the job. From then on the rotor
// has another as-found vector; how it answers to weights stays.
type Straightened struct {
	Event int
	Moves []BladeMove
	By    *Surveyed // the survey that stood then; nil = none
}

// survey is what the event says, worked out.
func (e Event) survey() (*surveyfile.File, *blades.Result, error) {
	if len(e.Survey) == 0 {
		return nil, nil, errors.New("the blade survey is empty")
	}
	f, err := surveyfile.Parse(e.Survey)
	if err != nil {
		return nil, nil, err
	}
	s, err := f.Survey()
	if err != nil {
		return nil, nil, err
	}
	r, err := blades.Judge(s)
	return f, r, err
}

// KeptSurvey is the newest survey that the job keeps, and the straightening
// after which its blades were read (0 = as found).
func (s State) KeptSurvey() (f *surveyfile.File, shape int, err error) {
	if s.Surveyed == nil {
		return nil, 0, errors.New("the job has no blade survey: read the blades first")
	}
	f, err = surveyfile.Parse(s.Surveyed.sheet)
	return f, s.Surveyed.Shape, err
}

// surveyed keeps what a survey advises. One of an earlier program that cannot
// be read any more advises nothing.
func (s State) surveyed(e Event) State {
	s.Surveys = append(s.Surveys, e.Number)
	v := &Surveyed{Event: e.Number, Shape: s.Shape, sheet: e.Survey}
	if _, r, err := e.survey(); err == nil {
		for _, m := range r.Advice.Moves {
			v.Moves = append(v.Moves, BladeMove{m.Blade, m.Track, m.Pitch})
		}
		v.Cracked, v.Sure = r.Survey.Cracked, r.SurelyOut()
		if len(v.Moves) == 0 {
			v.Wrong = notInOrder(r)
		}
	}
	s.Surveyed = v
	return s
}

// notInOrder is the first verdict that speaks against going on; empty = none.
func notInOrder(r *blades.Result) string {
	for _, q := range r.Questions {
		if q.Blocks {
			return q.Text
		}
	}
	for _, v := range r.Verdicts {
		if v.Code == blades.VerdictTrackOut || v.Code == blades.VerdictPitchOut {
			return v.Text
		}
	}
	return ""
}

func (s State) straightened(e Event) State {
	s.Straightened = append(s.Straightened, Straightened{e.Number, e.Moves, s.Surveyed})
	s.Shape = e.Number
	return s
}

func (s State) checkStraightened(e Event) error {
	if s.Running {
		return errors.New("a blade cannot have been moved while the rotor turns: record the stop first, and only after it was proved to stand")
	}
	if len(e.Moves) == 0 {
		return errors.New("say which blades were moved, and by how much")
	}
	most := blades.MaxBlades
	if n := s.Setup.Machine.Blades; n > 0 {
		most = n
	}
	for _, m := range e.Moves {
		if m.Blade < 1 || m.Blade > most {
			return fmt.Errorf("blade %d is said to be moved, but the blades are 1 to %d: correct the number", m.Blade, most)
		}
	}
	return nil
}

// straightenGoal: what a survey advises is done before the first weight, or
// left out with a reason; what was done is read again.
func (s State) straightenGoal() (Step, bool) {
	v := s.Surveyed
	if v == nil {
		return Step{}, false
	}
	key := "straighten:" + itoa(v.Event)
	if v.Shape != s.Shape {
		key = "reread:" + itoa(s.Shape)
	}
	if len(v.Cracked) > 0 && v.Shape == s.Shape {
		return Step{Stage: StageLook, Action: ActLook, Item: ItemSurvey, Cautions: cautionsNear,
			What: "A blade is cracked: the rotor must not run. Replace it, find the cause, then survey the blades again.",
			Why:  "a cracked blade flies off without warning; no weight and no bending makes it safe."}, true
	}
	if s.skipped(key) {
		return Step{}, false
	}
	st := Step{Stage: StageLook, Action: ActLook, Item: ItemSurvey, Skip: key, Cautions: cautionsNear}
	switch {
	case v.Shape != s.Shape:
		st.What = "Read the blades again: they were moved since the survey."
		st.Why = "what was bent is known only when it was read again, and moving one blade's pitch moves its track."
	case len(v.Moves) > 0 && v.Sure:
		st.What = fmt.Sprintf("Straighten %s before any weight goes on, then read the blades again.", named(v.Moves))
		st.Why = "the survey finds track or pitch outside its tolerance: that shakes like unbalance, and no weight in one plane cures it."
	case v.Wrong != "":
		st.What = "Put the blades in order before any weight goes on, then read them again."
		st.Why = v.Wrong
	default:
		return Step{}, false
	}
	return st, true
}

// provedGoal asks once more for straightening that was put off, when the runs
// have shown that the blades make the larger part of the couple.
func (s State) provedGoal() (Step, bool) {
	v := s.Surveyed
	if v == nil || len(v.Moves) == 0 || v.Shape != s.Shape || s.skipped("straighten-proved:"+itoa(v.Event)) {
		return Step{}, false
	}
	j, err := s.Cause()
	if err != nil || j.Code != blades.CallStraighten || math.IsNaN(j.P) {
		return Step{}, false
	}
	return Step{Stage: StagePlace, Action: ActLook, Item: ItemSurvey, Skip: "straighten-proved:" + itoa(v.Event), Cautions: cautionsNear,
		What: fmt.Sprintf("Straighten %s before weights are placed, then read the blades again.", named(v.Moves)),
		Why:  "the runs prove it now. " + j.Text}, true
}

// named lists the blades of moves.
func named(moves []BladeMove) string {
	var n []string
	for _, m := range moves {
		n = append(n, itoa(m.Blade))
	}
	word := "blades "
	if len(n) == 1 {
		word = "blade "
	}
	if len(n) > 8 {
		n = append(n[:7], fmt.Sprintf("and %d more", len(n)-7))
	}
	return word + strings.Join(n, ", ")
}

// shapeGoal: after blades were moved the rotor is read before anything else is
// judged by its vectors.
func (s State) shapeGoal() (Step, bool) {
	n := len(s.Runs)
	if n == 0 || s.Runs[n-1].Shape == s.Shape {
		return Step{}, false
	}
	st := Step{Stage: StageFirst, Action: ActMeasure, What: "Take a reading: the blades were moved since the last one.",
		Why: "beside the reading before, it shows as a vector what the straightening did; and the weights must cure the rotor as it is now."}
	if s.Fit.Purpose == PurposeCorrection || s.Fit.Purpose == PurposeTrim {
		st.Stage = StageProof
	}
	return st, true
}
