package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"counterpoise/internal/blades"
	"counterpoise/internal/blades/surveyfile"
	"counterpoise/internal/job"
	"counterpoise/internal/rig"
)

// errOnlyDrawn asks for the form again, with the drawing of what was typed.
var errOnlyDrawn = errors.New("the drawing follows what is stated")

// surveyDo carries out one form of the survey page and says where to go on.
func (s *Server) surveyDo(r *http.Request, b *bench) (to string, err error) {
	t := typed{Form: r.PostForm}
	a, err := actOf(r.PostForm)
	if err != nil {
		return "", err
	}
	if a.By = byOf(r); a.By != "" && b.job.State().Operator != a.By {
		return "", fmt.Errorf(say("job.operates"), b.job.State().Operator)
	}
	if a.By == "" {
		return "", errors.New(say("job.by.missing"))
	}
	sh, _, err := b.begunSheet(r.Context())
	if err != nil {
		return "", err
	}
	done, to := false, "/survey"
	switch a.Do {
	case "draw":
		return "", errOnlyDrawn
	case "begin":
		if err := b.cautionedSurvey(a); err != nil {
			return "", err
		}
		if sh, err = t.sheet(sh); err == nil {
			err = sh.check()
		}
	case "read":
		if err := t.ofItsBlade(); err != nil {
			return "", err
		}
		if err = t.visit(&sh); err == nil && t.Form.Get("instead") == "yes" {
			sh.Readings = instead(sh.Readings)
		}
	case "strike":
		n, bad := strconv.Atoi(t.Form.Get("visit"))
		if bad != nil || n < 0 || n >= len(sh.Readings) {
			return "", errors.New(say("survey.novisit"))
		}
		sh.Readings = slices.Delete(sh.Readings, n, n+1)
	case "confirm":
		n, _ := strconv.Atoi(t.Form.Get("blade"))
		for i := range sh.Readings {
			sh.Readings[i].Confirmed = sh.Readings[i].Confirmed || sh.Readings[i].Blade == n
		}
	case "anew":
		sh.Readings = nil
	case "moved":
		return to, b.moved(r.Context(), a, sh, t.Form.Get("cracks") == "none")
	case "finish":
		if err := sh.finished(); err != nil {
			return "", err
		}
		done, to = true, ""
	default:
		return "", fmt.Errorf("the survey cannot %q", a.Do)
	}
	if err != nil {
		return "", err
	}
	return to, b.keep(r.Context(), a, sh, done)
}

// ofItsBlade refuses what the virtual ruler shows of one blade as a reading of
// another.
func (t typed) ofItsBlade() error {
	shown := strings.Fields(t.Form.Get("shown"))
	if len(shown) == 3 && shown[0] != t.Form.Get("blade") && shown[1] == t.Form.Get("leading") && shown[2] == t.Form.Get("trailing") {
		return fieldError{"blade", fmt.Sprintf(say("survey.shown.other"), shown[0])}
	}
	return nil
}

// instead puts the newest reading in the place of what was read of its blade
// before. What it agrees with stays beside it: two readings of a bent blade that
// say the same answer the question whether it was read rightly.
func instead(list []visit) []visit {
	last := list[len(list)-1]
	near := func(a, b *float64) bool {
		return a != nil && b != nil && math.Abs(*a-*b) <= 3*blades.AssumedDepthSD*1e3
	}
	out := slices.DeleteFunc(slices.Clone(list[:len(list)-1]), func(v visit) bool {
		return v.Blade == last.Blade && !(near(v.Leading, last.Leading) && near(v.Trailing, last.Trailing))
	})
	return append(out, last)
}

// cautionedSurvey demands the cautions before the first hand on a blade.
func (b *bench) cautionedSurvey(a jobAct) error {
	s := b.job.State()
	if s.Running {
		return errors.New(say("job.running"))
	}
	if s.Setup.Virtual {
		return nil
	}
	for i, c := range blades.Cautions {
		if !slices.Contains(a.Confirmed, strconv.Itoa(i)) {
			return fieldError{"confirmed", fmt.Sprintf(say("job.uncautioned"), c)}
		}
	}
	return nil
}

func allCautions() (codes []string) {
	for _, c := range job.AllCautions() {
		codes = append(codes, c.Code)
	}
	return codes
}

// moved records that the advised moves were made, and makes them on the virtual
// fan. The survey they follow is kept first; begunSheet then asks for the blades
// that moved again.
func (b *bench) moved(ctx context.Context, a jobAct, sh sheet, noCracks bool) error {
	s := b.job.State()
	virtual := s.Setup.Virtual && b.st.Fan != nil
	f, err := sh.file()
	if err != nil {
		return err
	}
	reply, err := f.Answer()
	switch {
	case err != nil:
		return err
	case s.Running:
		return errors.New(say("job.running"))
	case len(reply.Moves) == 0:
		return errors.New(say("survey.nomove"))
	case !virtual && sh.Material == "" && bends(reply.Moves):
		return errors.New(say("survey.material.first"))
	case !virtual && !noCracks:
		return fieldError{"cracks", say("survey.cracks.first")}
	}
	moves := movesOf(reply.Moves)
	if virtual {
		if err := bendFan(b.st.Fan, moves); err != nil {
			return err
		}
	}
	if err := b.keep(ctx, a, sh, true); err != nil {
		return b.unbend(virtual, moves, err)
	}
	if _, err := b.job.Append(ctx, job.Event{Kind: job.KindStraightened, At: b.desk.now(), By: a.By, Moves: moves}); err != nil {
		return b.unbend(virtual, moves, err)
	}
	return nil
}

func bends(moves []surveyfile.ReplyMove) bool {
	return slices.ContainsFunc(moves, func(m surveyfile.ReplyMove) bool { return m.Track != nil })
}

func movesOf(list []surveyfile.ReplyMove) (out []job.BladeMove) {
	for _, m := range list {
		x := job.BladeMove{Blade: m.Blade}
		if m.Track != nil {
			x.Track = *m.Track * 1e-3
		}
		if m.Pitch != nil {
			x.Pitch = *m.Pitch * math.Pi / 180
		}
		out = append(out, x)
	}
	return out
}

// bendFan makes moves on the virtual fan, all of them or none.
func bendFan(f Fan, moves []job.BladeMove) error {
	was := f.State().Blades
	for k, m := range moves {
		i := slices.IndexFunc(was, func(b rig.Blade) bool { return b.Number == m.Blade })
		err := fmt.Errorf(say("survey.blade.wrong"), len(was))
		if i >= 0 {
			err = f.Bend(m.Blade, was[i].Track+m.Track, was[i].Pitch+m.Pitch, 0)
		}
		if err == nil {
			continue
		}
		for _, done := range moves[:k] {
			b := was[slices.IndexFunc(was, func(b rig.Blade) bool { return b.Number == done.Blade })]
			err = errors.Join(err, f.Bend(b.Number, b.Track, b.Pitch, b.Mass))
		}
		return err
	}
	return nil
}

// unbend takes the moves back on the virtual fan where recording them failed.
func (b *bench) unbend(virtual bool, moves []job.BladeMove, err error) error {
	if !virtual {
		return err
	}
	back := slices.Clone(moves)
	for i := range back {
		back[i].Track, back[i].Pitch = -back[i].Track, -back[i].Pitch
	}
	return errors.Join(err, bendFan(b.st.Fan, back))
}

// bent tells the open jobs of a station that somebody has bent blades of its
// virtual fan: their readings before and after are of two different rotors.
func (d *desk) bent(st *Station, was, is []rig.Blade) error {
	var moves []job.BladeMove
	for i, b := range is {
		if i < len(was) && b != was[i] {
			moves = append(moves, job.BladeMove{Blade: b.Number, Track: b.Track - was[i].Track, Pitch: b.Pitch - was[i].Pitch})
		}
	}
	if len(moves) == 0 {
		return nil
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	var errs []error
	for _, b := range d.open {
		if s := b.job.State(); b.st == st && !s.Closed && s.Setup != nil && s.Setup.Virtual {
			_, err := b.job.Append(d.ctx, job.Event{Kind: job.KindStraightened, At: d.now(), By: s.Operator, Moves: moves, Note: say("survey.bentby")})
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// straightened records by how much which blades were moved, and moves them on
// the virtual fan.
func (b *bench) straightened(ctx context.Context, s job.State, a jobAct, e job.Event) error {
	e.Kind = job.KindStraightened
	for _, m := range a.Moves {
		e.Moves = append(e.Moves, job.BladeMove{Blade: m.Blade, Track: m.TrackMM * 1e-3, Pitch: m.Deg * math.Pi / 180})
	}
	virtual := s.Setup.Virtual && b.st.Fan != nil
	if s.Running {
		return errors.New(say("job.running"))
	}
	if virtual {
		if err := bendFan(b.st.Fan, e.Moves); err != nil {
			return err
		}
	}
	if _, err := b.job.Append(ctx, e); err != nil {
		return b.unbend(virtual, e.Moves, err)
	}
	return nil
}
