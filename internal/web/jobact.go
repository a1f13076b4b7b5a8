package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"counterpoise/internal/job"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
)

// jobAct is one thing that somebody does in a job: the body of a posted event,
// and what a form of the page amounts to.
type jobAct struct {
	Do        string          `json:"do"`        // one of jobActs
	By        string          `json:"by"`        // who; a name of his own choice
	Seen      int             `json:"seen"`      // number of the newest event that the sender knew; 0 = not said
	Confirmed []string        `json:"confirmed"` // codes of the cautions that were read before it
	Note      string          `json:"note"`
	Item      string          `json:"item"` // look
	OK        bool            `json:"ok"`   // look
	All       bool            `json:"all"`  // look, on a virtual fan: the same answer to the points that come next
	Purpose   string          `json:"purpose"`
	Plane     string          `json:"plane"`
	Weights   []actWeight     `json:"weights"` // fit: all that is on the rotor afterwards
	Step      string          `json:"step"`    // skip
	Target    int             `json:"target"`  // undo, redo
	Level     float64         `json:"level_mm_s"`
	Survey    json.RawMessage `json:"survey"`
	Moves     []actMove       `json:"moves"` // straightened: by how much which blade was moved
	File      string          `json:"file"`

	Directions map[string]string `json:"directions"`  // look at the sensors: where each points
	Blade1     *float64          `json:"blade_1_deg"` // look for blade 1: its angle from the mark, in the job's convention
	Auto       bool              `json:"auto"`        // start: take the reading by itself once it has settled
}

// actWeight is a weight as people write it: at a numbered place, or at an angle
// in the job's convention.
type actWeight struct {
	Plane    string  `json:"plane"`
	MassG    float64 `json:"mass_g"`
	Position int     `json:"position,omitempty"`
	AngleDeg float64 `json:"angle_deg"`
}

// actMove is a move of one blade as people write it: track + downstream, pitch
// + steeper.
type actMove struct {
	Blade   int     `json:"blade"`
	TrackMM float64 `json:"track_mm"`
	Deg     float64 `json:"pitch_deg"`
}

// fieldError is a refusal that belongs to one field of a form.
type fieldError struct{ Field, Text string }

func (e fieldError) Error() string { return e.Text }

// does names the action of a step that an act carries out.
func (a jobAct) does(st job.Step) bool {
	switch a.Do {
	case "look", "survey":
		return st.Action == job.ActLook || st.Action == job.ActRepair
	case "start":
		return st.Action == job.ActStart
	case "measure":
		return st.Action == job.ActMeasure
	case "stop":
		return st.Action == job.ActStop
	case "fit":
		return st.Action == job.ActFit
	case "skip":
		return st.Action == job.ActInspect
	}
	return false
}

// cautious are the acts before which cautions are confirmed, whatever step is due.
var cautious = []string{"start", "fit", "stop", "straightened"}

// act does what was asked. The error is one sentence for who asked it.
func (b *bench) act(ctx context.Context, a jobAct) error {
	s := b.job.State()
	if b.foreign != "" {
		return fmt.Errorf(say("job.foreign"), b.foreign)
	}
	if a.Seen != 0 && a.Seen != s.Events {
		return fmt.Errorf(say("job.stale"), job.ErrStale, a.Seen, s.Events)
	}
	if a.By = strings.TrimSpace(a.By); a.By == "" && a.Do != "note" {
		return fieldError{"by", say("job.by.missing")}
	}
	if s.Operator != "" && a.By != s.Operator && a.Do != "operator" && a.Do != "note" {
		return fmt.Errorf(say("job.operates"), s.Operator)
	}
	if s.Setup == nil && a.Do != "operator" && a.Do != "note" {
		return errors.New(say("job.nosetup"))
	}
	if err := b.cautioned(s, a); err != nil {
		return err
	}
	return b.carryOut(ctx, s, a)
}

// cautioned demands that every caution before a step was confirmed. The virtual
// fan hurts nobody; there they are only shown.
func (b *bench) cautioned(s job.State, a jobAct) error {
	if s.Setup == nil || s.Setup.Virtual {
		return nil
	}
	var due []job.Caution
	now := b.desk.now()
	st := b.job.Next(now)
	if a.does(st) {
		due = st.Cautions
	} else if slices.Contains(cautious, a.Do) {
		due = job.AllCautions()
	}
	for _, c := range due {
		if !slices.Contains(a.Confirmed, c.Code) {
			return fieldError{"confirmed", fmt.Sprintf(say("job.uncautioned"), c.Text)}
		}
	}
	if a.does(st) && st.Item != job.ItemCautions { // those are only read there, and done before the next
		b.ticked.keep(s, a.By, now, due)
	}
	return nil
}

func (b *bench) carryOut(ctx context.Context, s job.State, a jobAct) error {
	e := job.Event{At: b.desk.now(), By: a.By, Seen: a.Seen, Note: a.Note, File: a.File}
	virtual := s.Setup != nil && s.Setup.Virtual && b.st.Fan != nil
	switch a.Do {
	case "operator":
		e.Kind = job.KindOperator
	case "look":
		e.Kind, e.Look = job.KindLook, &job.Look{Item: a.Item, OK: a.OK}
		var err error
		if e.Seen, err = b.describe(ctx, s, a); err != nil {
			return err
		}
		if a.All {
			return b.lookAtAll(ctx, s, e)
		}
	case "survey":
		e.Kind, e.Survey = job.KindSurvey, a.Survey
	case "straightened":
		return b.straightened(ctx, s, a, e)
	case "start", "running":
		e.Kind = job.KindStarted
		if a.Do == "running" {
			e.Purpose = job.AlreadyRunning
		}
		if _, err := b.job.Append(ctx, e); err != nil {
			return err
		}
		b.watch(a.By)
		if virtual {
			if err := b.st.Fan.Start(); err != nil {
				return err
			}
		}
		if b.setAuto(a.Auto); a.Auto {
			return b.take(a.By)
		}
		return nil
	case "measure":
		if !s.Running {
			return errors.New(say("job.notrunning"))
		}
		return b.take(a.By)
	case "cancel":
		b.stopWork()
		return nil
	case "abort":
		e.Kind, e.Level = job.KindAborted, a.Level*1e-3/rotor.RMS.OfPeak()
	case "stop":
		if virtual {
			return b.stopFan(a.By)
		}
		e.Kind = job.KindStopped
	case "fit":
		return b.fit(ctx, s, a, e)
	case "skip":
		e.Kind, e.Step = job.KindSkipped, a.Step
	case "undo":
		e.Kind, e.Target = job.KindUndone, a.Target
	case "redo":
		e.Kind, e.Target = job.KindRedone, a.Target
	case "amend":
		return b.amend(ctx, s, a, e)
	case "note":
		e.Kind, e.Survey = job.KindNoted, a.Survey
		if a.Note == "" && a.File == "" && a.Survey == nil {
			return fieldError{"note", say("job.note.missing")}
		}
	case "close":
		return b.closeJob(ctx, e)
	case "reopen":
		e.Kind = job.KindReopened
		if virtual {
			return b.reopen(ctx, s, e)
		}
	default:
		return fmt.Errorf("a job cannot %q: it knows %s", a.Do, jobActs)
	}
	_, err := b.job.Append(ctx, e)
	return err
}

// reopen opens a job on the virtual fan again. A fan that was made anew with the
// program, or served another job since, first gets the weights of this one back.
func (b *bench) reopen(ctx context.Context, s job.State, e job.Event) error {
	f := b.st.Fan.State()
	kept := slices.Equal(f.Weights, s.Fit.Weights) && (f.Motion == rig.Still) != s.Running
	if !kept && f.Motion != rig.Still {
		return errors.New(say("job.reopen.turning"))
	}
	if _, err := b.job.Append(ctx, e); err != nil || kept {
		return err
	}
	return b.resume(ctx)
}

// lookAtAll answers all points of the look that are due. At a real rotor each is
// looked at and answered by itself.
func (b *bench) lookAtAll(ctx context.Context, s job.State, e job.Event) error {
	if !s.Setup.Virtual {
		return errors.New(say("job.look.each"))
	}
	if !e.Look.OK {
		return fieldError{"note", say("job.look.which")}
	}
	for _, it := range s.LookAhead() {
		e.Look = &job.Look{Item: it.Code, OK: true}
		after, err := b.job.Append(ctx, e)
		if err != nil {
			return err
		}
		if e.Seen != 0 {
			e.Seen = after.Events
		}
	}
	return nil
}

const jobActs = "operator, look, survey, straightened, start, running, measure, cancel, abort, stop, fit, skip, undo, redo, amend, note, close and reopen"

// fit records which weights are on the rotor, after what was advised for it. On
// the virtual fan it puts them there.
func (b *bench) fit(ctx context.Context, s job.State, a jobAct, e job.Event) error {
	ws, err := weightsOf(s.Setup, a.Weights)
	if err != nil {
		return err
	}
	if s.Running {
		return errors.New(say("job.running"))
	}
	if err := s.Setup.CheckForce(ws); err != nil {
		return fieldError{"weights", err.Error()}
	}
	st := b.job.Next(b.desk.now())
	if st.Action == job.ActFit && a.Purpose == "" {
		a.Purpose, a.Plane = st.Purpose, st.Plane
	}
	if s.Setup.Virtual && b.st.Fan != nil {
		if err := b.st.Fan.Fit(ws); err != nil {
			return err
		}
	}
	if adv, err := b.advise(View{Scale: Scales[0]}); err == nil && st.Action == job.ActFit && a.Purpose == st.Purpose {
		told := e
		told.Note, told.Kind, told.Purpose, told.Plane = "", job.KindAdvised, st.Purpose, st.Plane
		told.Weights, told.Verdicts, told.Expected = adv.Weights, adv.Verdicts, adv.Expected
		after, err := b.job.Append(ctx, told)
		if err != nil {
			return b.unfit(s, err)
		}
		if e.Seen != 0 {
			e.Seen = after.Events
		}
	}
	e.Kind, e.Purpose, e.Plane, e.Weights = job.KindFitted, a.Purpose, a.Plane, ws
	_, err = b.job.Append(ctx, e)
	return b.unfit(s, err)
}

// unfit brings the virtual rotor back to what the job says where recording failed.
func (b *bench) unfit(s job.State, err error) error {
	if err == nil || !s.Setup.Virtual || b.st.Fan == nil {
		return err
	}
	return errors.Join(err, b.st.Fan.Fit(b.job.State().Fit.Weights))
}

// weightsOf turns people's weights into the job's.
func weightsOf(u *job.Setup, list []actWeight) (out []rotor.Weight, err error) {
	for i, w := range list {
		field := fmt.Sprintf("w%d.mass", i)
		n := slices.IndexFunc(u.Planes, func(p rotor.Plane) bool { return p.Name == w.Plane })
		if n < 0 {
			return nil, fieldError{field, fmt.Sprintf(say("job.plane.wrong"), w.Plane)}
		}
		if !(w.MassG >= 0 && w.MassG < 1e9) {
			return nil, fieldError{field, say("job.mass.wrong")}
		}
		if w.MassG == 0 {
			continue
		}
		x := rotor.Weight{Plane: w.Plane, Mass: w.MassG * 1e-3, Angle: u.Convention.Radians(w.AngleDeg)}
		if w.Position != 0 {
			k := slices.IndexFunc(u.Planes[n].Positions, func(p rotor.Position) bool { return p.Number == w.Position })
			if k < 0 {
				return nil, fieldError{fmt.Sprintf("w%d.place", i), fmt.Sprintf(say("job.place.wrong"), w.Position, w.Plane)}
			}
			x.Angle, x.Radius = u.Planes[n].Positions[k].Angle, u.Planes[n].Positions[k].Radius
		}
		out = append(out, x)
	}
	return out, nil
}
