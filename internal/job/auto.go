package job

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Ask says what a reading must reach before it is taken.
type Ask struct {
	MinTurns      int     // never fewer accepted turns than this
	StandardError float64 // m/s peak per axis at 1x, on the worst channel; 0 = only MinTurns counts
	MaxTurns      int     // take it as it is after this many; 0 = 8 x MinTurns
	// Progress, if not nil, is told now and then how many turns count so far and
	// the standard error (m/s peak per axis, worst channel; 0 = not known yet).
	// It is called between samples and must return at once.
	Progress func(turns int, standardError float64)
}

// Instrument takes readings of the running rotor.
type Instrument interface {
	// Take waits until speed and vectors have settled and returns a reading of
	// turns that all lie after the call. An error says in one sentence why there
	// is none; nothing half-measured is ever returned.
	Take(ctx context.Context, ask Ask) (phase.Reading, error)
}

// Guard is an Instrument that can also watch the level while the rotor runs up.
type Guard interface {
	// Watch returns nil when ctx ends, or as soon as a channel shows more than
	// abort (m/s peak) a LevelError. Any other error means that it cannot watch
	// any more, and ends the job; a link that comes back is no such error.
	Watch(ctx context.Context, abort float64) error
}

// LevelError reports a level above the abort level.
type LevelError struct{ Level float64 } // m/s peak

func (e LevelError) Error() string {
	return fmt.Sprintf("the rotor shakes by %.3g mm/s rms, more than the abort level", e.Level*rotor.RMS.OfPeak()*1e3)
}

// Rotor is a rotor that can be handled without a person near it: the virtual
// fan. All methods wait until the thing is done.
type Rotor interface {
	Stop(ctx context.Context) error  // until it stands still
	Start(ctx context.Context) error // until it runs at its speed
	Fit(ctx context.Context, total []rotor.Weight) error
}

// AutoConfig says how an unattended job runs. Job, Setup, Instrument, Rotor and
// Now are required.
type AutoConfig struct {
	Job        *Job
	Setup      Setup // used where the job has none yet; Virtual must be set
	Instrument Instrument
	Rotor      Rotor
	Ask        Ask
	Now        func() time.Time // dates the events
	// Wait waits until a time; nil waits on the host's clock.
	Wait    func(ctx context.Context, until time.Time) error
	Retries int           // readings tried in a row before giving up; 0 = 5
	Pause   time.Duration // between them; 0 = 2 s
	// Patience bounds the wait for one reading that can be trusted, by the host's
	// clock and over all tries; 0 = 5 min.
	Patience time.Duration
	Log      *slog.Logger // nil = silent
}

const inTolerance = "every sensor is inside its tolerance, uncertainty included"

// autoName operates an unattended job.
const autoName = "unattended"

// Result is how an unattended job ended. Levels are m/s peak at 1x.
type Result struct {
	OK        bool
	Why       string // one sentence
	Runs      []AutoRun
	Residual  float64 // of the sensor nearest to (or farthest beyond) its tolerance in the last run
	Radius95  float64 // its 95 % radius
	Tolerance float64 // its tolerance; 0 = none known
	State     State
}

// AutoRun is one run in short.
type AutoRun struct {
	Name   string
	Sensor string  // the worst against its tolerance
	Worst  float64 // its level
}

// Auto does what Next says until the job is closed. It may be called again on a
// job that was interrupted anywhere: first the rotor is stopped and brought to
// what the events say is on it, then the job goes on.
//
// Where the rotor cannot be brought inside its tolerance Auto returns a result
// that is not OK and says why; an error means that the job could not be carried
// through (the link, the rotor or the disk failed). Either way the rotor is
// left standing still, and not worse than it was found as far as is known.
func Auto(ctx context.Context, cfg AutoConfig) (Result, error) {
	a, err := newAuto(cfg)
	if err != nil {
		return Result{}, err
	}
	if err := a.begin(ctx); err != nil {
		return a.result(err.Error()), err
	}
	for range maxSteps {
		st := a.Job.Next(a.Now())
		a.Log.Info("next step", "stage", st.Stage.String(), "action", string(st.Action), "plane", st.Plane)
		end, err := a.do(ctx, st)
		switch {
		case err != nil:
			// The rotor must not be left running by a job that has ended, not
			// even where the reason is that ctx has ended.
			halted := a.halt(ctx)
			return a.result(err.Error()), errors.Join(err, halted)
		case end != "":
			err := a.leave(ctx, end)
			return a.result(end), err
		}
	}
	err = fmt.Errorf("the unattended job did not end within %d steps", maxSteps)
	halted := a.halt(ctx)
	return a.result(err.Error()), errors.Join(err, halted)
}

// haltTime is how long a rotor is given to stand still when the job has failed;
// when the program is told to end, only quitTime: the drive is switched off at
// once, and what is not recorded any more is put right when the job goes on.
const (
	haltTime = 2 * time.Minute
	quitTime = time.Second
)

func (a *auto) halt(ctx context.Context) error {
	d := haltTime
	if ctx.Err() != nil {
		d = quitTime
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), d)
	defer cancel()
	return a.park(ctx)
}

// maxSteps bounds a job: two planes with two trims take about 40.
const maxSteps = 300

// maxAborts ends a job whose runs are broken off again and again.
const maxAborts = 3

type auto struct {
	AutoConfig
	guard    *watch // runs while the rotor does
	distrust bool   // the readings contradict each other
}

func newAuto(cfg AutoConfig) (*auto, error) {
	if cfg.Job == nil || cfg.Instrument == nil || cfg.Rotor == nil || cfg.Now == nil {
		return nil, errors.New("an unattended job needs a job file, an instrument, a rotor and a clock")
	}
	u := &cfg.Setup
	if s := cfg.Job.State(); s.Setup != nil {
		u = s.Setup
	}
	if !u.Virtual {
		return nil, errors.New("an unattended job starts and stops the rotor by itself and is only for the virtual fan: balance a real one step by step")
	}
	if cfg.Retries <= 0 {
		cfg.Retries = 5
	}
	if cfg.Pause <= 0 {
		cfg.Pause = 2 * time.Second
	}
	if cfg.Patience <= 0 {
		cfg.Patience = 5 * time.Minute
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Wait == nil {
		now := cfg.Now
		cfg.Wait = func(ctx context.Context, until time.Time) error {
			t := time.NewTimer(until.Sub(now()))
			defer t.Stop()
			select {
			case <-t.C:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}
	}
	return &auto{AutoConfig: cfg}, nil
}

func (a *auto) append(ctx context.Context, e Event) error {
	e.At, e.By = a.Now(), autoName
	_, err := a.Job.Append(ctx, e)
	return err
}

// begin makes the rotor what the events say it is.
func (a *auto) begin(ctx context.Context) error {
	if a.Job.State().Operator != autoName {
		if err := a.append(ctx, Event{Kind: KindOperator}); err != nil {
			return err
		}
	}
	if err := a.Rotor.Stop(ctx); err != nil {
		return err
	}
	if a.Job.State().Running {
		if err := a.append(ctx, Event{Kind: KindStopped, Note: "stopped when the job was taken up again"}); err != nil {
			return err
		}
	}
	return a.Rotor.Fit(ctx, a.Job.State().Fit.Weights)
}

// do carries out one step. A word in end closes the job.
func (a *auto) do(ctx context.Context, st Step) (end string, err error) {
	switch st.Action {
	case ActDescribe:
		return "", a.append(ctx, Event{Kind: KindSetup, Setup: &a.Setup})
	case ActLook:
		if a.Job.State().Surveyed != nil && st.Item == ItemSurvey { // a person surveyed the blades before this job was left alone
			if st.Skip == "" {
				return st.What, nil
			}
			return "", a.append(ctx, Event{Kind: KindSkipped, Step: st.Skip, Note: "unattended: nobody is there to straighten a blade"})
		}
		return "", a.append(ctx, Event{Kind: KindLook, Look: &Look{st.Item, true}, Note: "virtual fan: no person is near and nothing can be dirty, loose or cracked"})
	case ActWait:
		return "", a.Wait(ctx, st.NotBefore)
	case ActStart:
		return "", a.start(ctx)
	case ActMeasure:
		return "", a.measure(ctx)
	case ActStop:
		return "", a.park(ctx)
	case ActFit:
		return a.fit(ctx, st)
	case ActClose:
		s := a.Job.State()
		ls := s.Levels(s.Runs[len(s.Runs)-1], s.Tolerances())
		switch ok, known := inside(ls); {
		case ok:
			return inTolerance, nil
		case !known:
			return "there is no tolerance to prove against", nil
		}
		return s.outside(ls), nil
	case ActDone:
		return "the job was closed already", nil
	}
	return st.Why + " " + st.What, nil // repair, inspect: for people
}

// start records the start before it happens: a start that may have happened
// counts against the motor's limit.
func (a *auto) start(ctx context.Context) error {
	if err := a.append(ctx, Event{Kind: KindStarted}); err != nil {
		return err
	}
	a.guard = a.keepWatch(ctx)
	err := a.Rotor.Start(a.guard.ctx)
	if broken := a.guard.broken(); broken != nil {
		return a.abort(ctx, broken)
	}
	return err
}

// measure takes a reading that can be trusted, or says why there is none. An
// untrusted one is stored and not used.
func (a *auto) measure(ctx context.Context) error {
	why := ""
	limited, cancel := context.WithTimeout(a.guard.during(ctx), a.Patience)
	defer cancel()
	for try := range a.Retries {
		if try > 0 {
			if err := a.Wait(ctx, a.Now().Add(a.Pause)); err != nil {
				return err
			}
		}
		r, err := a.Instrument.Take(limited, a.Ask)
		if broken := a.guard.broken(); broken != nil {
			return a.abort(ctx, broken)
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			why = err.Error()
			a.Log.Warn("no reading", "try", try+1, "why", why)
			if err := a.append(ctx, Event{Kind: KindNoted, Note: "no reading: " + why}); err != nil {
				return err
			}
			if limited.Err() != nil {
				return fmt.Errorf("no reading that can be trusted within %v (%s): put the link, tach or speed right and start again, the job goes on from here", a.Patience, why)
			}
			continue
		}
		if err := a.append(ctx, Event{Kind: KindMeasured, Reading: &r}); err != nil {
			return err
		}
		if why = untrusted(&r); why == "" {
			return nil
		}
		a.Log.Warn("reading not used", "try", try+1, "why", why)
	}
	return fmt.Errorf("%d readings in a row could not be used (the last: %s): put the link, tach or speed right and start again, the job goes on from here", a.Retries, why)
}

// abort ends a run whose watch has spoken.
func (a *auto) abort(ctx context.Context, broken error) error {
	a.Log.Warn("run broken off", "why", broken)
	var over LevelError
	if !errors.As(broken, &over) {
		return fmt.Errorf("the run-up could not be watched, so it was ended: %w", broken)
	}
	if err := a.append(ctx, Event{Kind: KindAborted, Level: over.Level}); err != nil {
		return err
	}
	return a.park(ctx)
}

// park stops the rotor and records it.
func (a *auto) park(ctx context.Context) error {
	a.guard.end()
	a.guard = nil
	if err := a.Rotor.Stop(ctx); err != nil {
		return fmt.Errorf("the rotor could not be stopped: %w", err)
	}
	if !a.Job.State().Running {
		return nil
	}
	return a.append(ctx, Event{Kind: KindStopped})
}

func (a *auto) fit(ctx context.Context, st Step) (end string, err error) {
	s := a.Job.State()
	if len(s.Aborts) >= maxAborts {
		return fmt.Sprintf("%d runs had to be broken off: this rotor needs a person", len(s.Aborts)), nil
	}
	adv, err := s.Advise(st)
	if err != nil {
		return err.Error(), nil
	}
	if why := s.disagree(adv); why != "" {
		a.distrust = true
		return why, nil
	}
	e := Event{Kind: KindAdvised, Purpose: st.Purpose, Plane: st.Plane, Weights: adv.Weights, Verdicts: adv.Verdicts, Expected: adv.Expected}
	if err := a.append(ctx, e); err != nil {
		return "", err
	}
	if err := a.Rotor.Fit(ctx, adv.Weights); err != nil {
		return "", err
	}
	e.Kind, e.Verdicts, e.Expected = KindFitted, nil, nil
	return "", a.append(ctx, e)
}

// leave stops the rotor at the end, takes off weights that did not help, and
// closes the job: with a note where the tolerance was not reached.
func (a *auto) leave(ctx context.Context, end string) error {
	if err := a.park(ctx); err != nil {
		return err
	}
	s := a.Job.State()
	if s.Closed {
		return nil
	}
	if end == inTolerance {
		return a.append(ctx, Event{Kind: KindClosed})
	}
	if weighty(s.Fit.Weights) && (a.distrust || !s.helped()) {
		if err := a.Rotor.Fit(ctx, nil); err != nil {
			return err
		}
		if err := a.append(ctx, Event{Kind: KindFitted, Purpose: PurposeBare, Note: "left as it was found"}); err != nil {
			return err
		}
	}
	return a.append(ctx, Event{Kind: KindClosed, Note: end})
}

// helped tells whether the weights on the rotor are a correction that was
// measured and has surely made the worst sensor better than as found.
func (s State) helped() bool {
	if s.Fit.Purpose == PurposeTrial || len(s.runsOf(s.Fit.Event)) == 0 {
		return false
	}
	tol := s.Tolerances()
	was, is := worstLevel(s.Levels(s.Runs[0], tol)), worstLevel(s.Levels(s.Runs[len(s.Runs)-1], tol))
	k := func(l Level) float64 {
		if l.Tolerance > 0 {
			return 1 / l.Tolerance
		}
		return 1
	}
	return (is.Amplitude+is.Radius95)*k(is) < (was.Amplitude-was.Radius95)*k(was)
}

func (a *auto) result(why string) Result {
	s := a.Job.State()
	// A job is closed without a remark only where it is proved to be inside.
	r := Result{OK: s.Closed && s.Remark == "", Why: why, State: s}
	if s.Setup == nil {
		return r
	}
	tol := s.Tolerances()
	for i, run := range s.Runs {
		w := worstLevel(s.Levels(run, tol))
		r.Runs = append(r.Runs, AutoRun{run.Name, w.Sensor, w.Amplitude})
		if i == len(s.Runs)-1 {
			r.Residual, r.Radius95, r.Tolerance = w.Amplitude, w.Radius95, w.Tolerance
		}
	}
	return r
}

// worstLevel is the level nearest to or farthest beyond its tolerance.
func worstLevel(ls []Level) (w Level) {
	most := -1.0
	for _, l := range ls {
		by := l.Amplitude + l.Radius95
		if l.Tolerance > 0 {
			by /= l.Tolerance
		}
		if !l.Missing && by > most {
			w, most = l, by
		}
	}
	return w
}
