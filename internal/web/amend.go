package web

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"strconv"
	"strings"

	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
)

// describe stores what a point of the first look tells of the set-up - where the
// sensors point, where blade 1 stands - before the point itself is answered. It
// returns the number of the event that the answer then follows; what is already
// so is not stored again.
func (b *bench) describe(ctx context.Context, s job.State, a jobAct) (seen int, err error) {
	if len(a.Directions) == 0 && a.Blade1 == nil {
		return a.Seen, nil
	}
	u, changed := *s.Setup, false
	u.Sensors = append([]job.Sensor(nil), u.Sensors...)
	left := maps.Clone(a.Directions)
	for i := range u.Sensors {
		to, ok := left[u.Sensors[i].Name]
		delete(left, u.Sensors[i].Name)
		if to = strings.TrimSpace(to); !ok || to == u.Sensors[i].Direction {
			continue
		}
		if len(to) > 100 {
			return 0, fieldError{fmt.Sprintf("d%d.to", i), say("job.direction.long")}
		}
		u.Sensors[i].Direction, changed = to, true
	}
	for name := range left {
		return 0, fmt.Errorf(say("job.direction.sensor"), name)
	}
	if a.Blade1 != nil {
		if !(*a.Blade1 >= -360 && *a.Blade1 <= 360) {
			return 0, fieldError{"blade1", say("job.blade1.wrong")}
		}
		to := rotor.WrapRadians(u.Convention.Radians(*a.Blade1))
		changed = changed || to != u.Machine.Blade1
		u.Machine.Blade1 = to
	}
	if !changed {
		return a.Seen, nil
	}
	// Another direction or mark may be that of other earlier jobs, or of none.
	if err := b.desk.remember(ctx, b.st.Name(), &u); err != nil {
		return 0, err
	}
	after, err := b.job.Append(ctx, job.Event{Kind: job.KindSetup, At: b.desk.now(), By: a.By, Seen: a.Seen, Setup: &u})
	if err != nil || a.Seen == 0 {
		return a.Seen, err
	}
	return after.Events, nil
}

// amend lets an earlier answer or record of weights count as it should have been
// given. What it was stays in the history.
func (b *bench) amend(ctx context.Context, s job.State, a jobAct, e job.Event) error {
	events, err := b.job.Events(ctx)
	if err != nil {
		return err
	}
	if a.Target < 1 || a.Target > len(events) {
		return fmt.Errorf(say("job.amend.none"), a.Target)
	}
	if e.Note == "" {
		return fieldError{"note", say("job.amend.why")}
	}
	was := events[a.Target-1]
	e.Kind, e.Target = job.KindAmended, a.Target
	switch was.Kind {
	case job.KindLook:
		e.Look = &job.Look{Item: was.Look.Item, OK: a.OK}
		if e.File == "" {
			e.File = was.File
		}
	case job.KindFitted:
		if e.Weights, err = weightsOf(s.Setup, a.Weights); err != nil {
			return err
		}
		if err := s.Setup.CheckForce(e.Weights); err != nil {
			return fieldError{"weights", err.Error()}
		}
		e.Purpose, e.Plane = was.Purpose, was.Plane
		if s.Setup.Virtual && b.st.Fan != nil && s.Fit.Event == a.Target {
			if err := b.st.Fan.Fit(e.Weights); err != nil { // the virtual rotor carries what the job says
				return err
			}
			_, err = b.job.Append(ctx, e)
			return b.unfit(s, err)
		}
	}
	_, err = b.job.Append(ctx, e)
	return err
}

// amending is the form in which one event of the history is changed.
type amending struct {
	Event JobEvent
	Look  bool     // yes or no is asked
	OK    bool     // as it was answered
	Rows  []fitRow // of weights
	Undo  bool     // it counts, and can be taken back
}

// amendment is what ?amend=N asks to change; nil where there is no such event or
// nothing that could be done about it.
func (b *bench) amendment(r *http.Request, s job.State, js JobState, ask string) *amending {
	n, err := strconv.Atoi(ask)
	events, broken := b.job.Events(r.Context())
	if errors.Join(err, broken) != nil || n < 1 || n > len(events) || s.Setup == nil {
		return nil
	}
	for _, h := range js.History {
		if h.Number != n || h.Can == "" {
			continue
		}
		out := &amending{Event: h, Undo: h.Can == "undo"}
		switch e := events[n-1]; e.Kind {
		case job.KindLook:
			out.Look, out.OK = true, e.Look.OK
		case job.KindFitted:
			out.Rows = rowsOf(s, job.Advice{Weights: e.Weights})
		}
		return out
	}
	return nil
}
