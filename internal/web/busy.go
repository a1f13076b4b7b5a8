package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/phase"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// Taker is a Source that takes readings and watches a run; a *station.Station is one.
type Taker interface {
	Take(ctx context.Context, ask station.Ask) (phase.Reading, error)
	Watch(ctx context.Context, abort float64) error
}

// Busy is what a job is waiting for, for people.
type Busy struct {
	Doing    string  `json:"doing,omitempty"` // reading or stopping; empty = nothing
	Text     string  `json:"text,omitempty"`
	Turns    int     `json:"turns,omitempty"`
	MinTurns int     `json:"min_turns,omitempty"`
	Fraction float64 `json:"fraction"`
	Trouble  string  `json:"trouble,omitempty"` // why the last one came to nothing

	ask station.Ask // of a reading
	se  float64     // standard error so far, m/s peak; 0 = not known
	hz  float64     // turns a second; 0 = not known
}

// in writes the progress of a reading in a person's own unit.
func (b Busy) in(v View) Busy {
	if b.Doing != "reading" || b.Turns == 0 {
		return b
	}
	b.Text = progressText(b.Turns, b.ask, b.se, b.hz, v)
	return b
}

// busy guards that one thing at a time is done in a job. Listeners wait for
// its next change.
type busy struct {
	mu      sync.Mutex
	now     Busy
	cancel  context.CancelFunc
	changed chan struct{}
	byHand  bool // the last start asked for no reading that is taken by itself
}

func (b *bench) setAuto(on bool) {
	b.busy.mu.Lock()
	defer b.busy.mu.Unlock()
	b.busy.byHand = !on
}

// auto reports whether a reading is to be taken by itself: as in the last run,
// and in the first one.
func (b *bench) auto() bool {
	b.busy.mu.Lock()
	defer b.busy.mu.Unlock()
	return !b.busy.byHand
}

func (b *busy) get() (Busy, <-chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.changed == nil {
		b.changed = make(chan struct{})
	}
	return b.now, b.changed
}

func (b *busy) set(f func(*Busy)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f(&b.now)
	if b.changed != nil {
		close(b.changed)
	}
	b.changed = make(chan struct{})
}

// begin starts work on a goroutine of the desk. It is refused while other work
// goes on.
func (b *bench) begin(what Busy, work func(ctx context.Context) error) error {
	b.busy.mu.Lock()
	if b.busy.now.Doing != "" {
		b.busy.mu.Unlock()
		return errors.New(say("job.busy"))
	}
	ctx, cancel := context.WithCancel(b.desk.ctx)
	b.busy.now.Doing, b.busy.cancel = what.Doing, cancel
	b.busy.mu.Unlock()
	b.busy.set(func(n *Busy) { *n = what })
	b.desk.work.Go(func() {
		defer cancel()
		err := work(ctx)
		b.busy.set(func(n *Busy) {
			*n = Busy{}
			if err != nil && b.desk.ctx.Err() == nil {
				n.Trouble = err.Error()
			}
		})
	})
	return nil
}

// stopWork breaks off what is going on.
func (b *bench) stopWork() {
	b.busy.mu.Lock()
	defer b.busy.mu.Unlock()
	if b.busy.cancel != nil {
		b.busy.cancel()
	}
}

// patience bounds the wait for one reading that settles.
const patience = 5 * time.Minute

// take takes a reading and stores it under the name of who asked for it. The
// vibration is asked to be known to a thirtieth of the tightest tolerance.
func (b *bench) take(by string) error {
	t, ok := b.st.Source.(Taker)
	if !ok {
		return errors.New(say("job.notaker"))
	}
	s := b.job.State()
	ask := station.Ask{MinTurns: 64, MaxTurns: 512, StandardError: needed(s)}
	what := Busy{Doing: "reading", MinTurns: ask.MinTurns, Text: say("job.settling")}
	return b.begin(what, func(ctx context.Context) error {
		ctx, cancel := context.WithTimeout(ctx, patience)
		defer cancel()
		ask.Progress = func(turns int, se float64) {
			b.busy.set(func(n *Busy) {
				n.Turns, n.se, n.ask, n.hz = turns, se, ask, turnsASecond(b.st.Latest())
				n.Fraction = progress(turns, ask, se)
			})
		}
		r, kept, err := takeKept(ctx, t, ask)
		if err != nil {
			return err
		}
		ctx = context.WithoutCancel(ctx)
		file, trouble := b.keepBeside(ctx, r, kept)
		_, err = b.job.Append(ctx, job.Event{Kind: job.KindMeasured, At: b.desk.now(), By: by, Note: trouble, File: file,
			Reading: &r, Overall: overallOf(b.st.Latest(), s.Setup)})
		return err
	})
}

// needed is the standard error (m/s peak) that a reading of the job must reach;
// 0 where no tolerance is known.
func needed(s job.State) float64 {
	least := 0.0
	for _, t := range s.Tolerances() {
		if t > 0 && (least == 0 || t < least) {
			least = t
		}
	}
	return least / 30
}

func progress(turns int, ask station.Ask, se float64) float64 {
	f := float64(turns) / float64(ask.MinTurns)
	if ask.StandardError > 0 && se > 0 {
		f = math.Min(f, math.Pow(ask.StandardError/se, 2)) // the error falls with the root of the turns
	}
	return math.Min(f, 1)
}

// turnsASecond is the rotor's speed now; 0 where it is not known to turn.
func turnsASecond(snap *station.Snapshot) float64 {
	if snap == nil || snap.Motion != station.Turning {
		return 0
	}
	return finiteOr(snap.Speed/(2*math.Pi), 0)
}

// secondsLeft is how long a reading will still take, as far as its standard error
// tells; ok is false while that is not known.
func secondsLeft(turns int, ask station.Ask, se, hz float64) (s float64, ok bool) {
	need := ask.MinTurns
	if ask.StandardError > 0 {
		n, known := phase.TurnsNeeded(turns, se, ask.StandardError)
		if !known || se == 0 {
			return 0, false
		}
		need = max(need, n)
	}
	if ask.MaxTurns > 0 {
		need = min(need, ask.MaxTurns)
	}
	return float64(max(0, need-turns)) / hz, hz > 0
}

// progressText says how far a reading has come; hz is turns a second.
func progressText(turns int, ask station.Ask, se, hz float64, v View) string {
	text := fmt.Sprintf(say("settle.turns"), turns, ask.MinTurns)
	sc := v.velocity()
	if se > 0 && finite(se) {
		text += ", " + fmt.Sprintf(say("job.se"), se*sc.factor(), sc.Label())
	}
	if ask.StandardError > 0 {
		text += ", " + fmt.Sprintf(say("job.se.need"), ask.StandardError*sc.factor())
	}
	if left, ok := secondsLeft(turns, ask, se, hz); ok && left > 0 {
		text += ", " + fmt.Sprintf(say("settle.left"), math.Ceil(left))
	}
	return text
}

// overallOf is the overall velocity of each sensor of the set-up at this moment;
// nil where nothing is known.
func overallOf(snap *station.Snapshot, u *job.Setup) []float64 {
	if snap == nil || u == nil {
		return nil
	}
	out := make([]float64, len(u.Sensors))
	for i, sen := range u.Sensors {
		for _, l := range snap.Levels {
			if l.Channel == sen.Name && finite(l.Velocity) {
				out[i] = l.Velocity
			}
		}
	}
	return out
}

// stopFan switches the virtual fan off and records that it stands once it does.
func (b *bench) stopFan(by string) error {
	return b.begin(Busy{Doing: "stopping", Text: say("job.coasting")}, func(ctx context.Context) error {
		b.st.Fan.Stop()
		from := b.st.Fan.State().Speed
		for {
			f := b.st.Fan.State()
			if f.Motion == rig.Still {
				break
			}
			b.busy.set(func(n *Busy) {
				n.Text = fmt.Sprintf(say("job.coasting.at"), rotor.RPM(f.Speed))
				if from > 0 {
					n.Fraction = 1 - f.Speed/from
				}
			})
			if !pause(ctx, 200*time.Millisecond) {
				return errors.New(say("job.coasting.left"))
			}
		}
		_, err := b.job.Append(context.WithoutCancel(ctx), job.Event{Kind: job.KindStopped, At: b.desk.now(), By: by})
		return err
	})
}

// watch ends a run that shakes more than the job's abort level. It lasts until
// the rotor is recorded as standing.
func (b *bench) watch(by string) {
	t, ok := b.st.Source.(Taker)
	abort := b.job.State().Setup.Abort
	if !ok || !(abort > 0) {
		return
	}
	ctx, cancel := context.WithCancel(b.desk.ctx)
	begun := b.job.State().Begun
	b.desk.work.Go(func() { // the watch ends with the run
		defer cancel()
		for s := b.job.State(); s.Running && s.Begun == begun; {
			next, err := b.job.Wait(ctx, s.Events)
			if err != nil {
				return
			}
			s = next
		}
	})
	b.desk.work.Go(func() {
		var over job.LevelError
		if !errors.As(t.Watch(ctx, abort), &over) {
			return
		}
		b.stopWork()
		if b.st.Fan != nil {
			b.st.Fan.Stop()
		}
		b.job.Append(context.WithoutCancel(ctx), job.Event{Kind: job.KindAborted, At: b.desk.now(), By: by, Level: over.Level, Note: say("job.watched")})
	})
}
