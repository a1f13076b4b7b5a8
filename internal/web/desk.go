package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sync"
	"time"

	"counterpoise/internal/balance"
	"counterpoise/internal/job"
	"counterpoise/internal/rig"
	"counterpoise/internal/store"
)

// Jobs is where jobs are kept; a *store.Store is one.
type Jobs interface {
	Create(ctx context.Context, n store.NewJob) (id string, err error)
	Jobs(ctx context.Context) ([]store.Summary, error)
	Job(id string) job.Log
	AddFile(ctx context.Context, id string, f store.File, content io.Reader) (store.File, error)
	Files(ctx context.Context, id string) ([]store.File, error)
	OpenFile(ctx context.Context, id, name string) (*os.File, store.File, error)
	Export(ctx context.Context, id string, w io.Writer, at time.Time) (missing []string, err error)
	Import(ctx context.Context, r io.Reader, files fs.FS) (store.Imported, error)
	SaveCoefficients(ctx context.Context, c store.Coefficients) error
	Coefficients(ctx context.Context, print balance.FingerPrint) ([]store.Coefficients, error)
	State(ctx context.Context, id string) (job.State, error)
}

// desk holds the jobs that are in hand. A job is opened when somebody first
// looks at it and stays open until the server ends; what it does meanwhile
// (a reading, a stop that is waited for) ends with the desk.
type desk struct {
	jobs  Jobs
	now   func() time.Time
	known map[string]*Station // all stations of this program

	ctx    context.Context // of the work that outlives a request
	cancel context.CancelFunc
	work   sync.WaitGroup

	mu    sync.Mutex
	open  map[string]*bench
	ended bool
}

func newDesk(jobs Jobs, now func() time.Time) *desk {
	ctx, cancel := context.WithCancel(context.Background())
	return &desk{jobs: jobs, now: now, ctx: ctx, cancel: cancel, open: map[string]*bench{}}
}

// bench is one open job and what is being done in it.
type bench struct {
	id   string
	name string
	st   *Station
	job  *job.Job
	desk *desk
	// foreign is the station of an imported job where this program has none of that
	// name; such a job is only looked at and compared with.
	foreign string

	busy   busy
	advice adviceCache
	ticked standstill
}

var errNoJobs = errors.New(say("job.nofolder"))

// list names the jobs of a station, newest first, and those that were brought in
// from stations that are not here.
func (d *desk) list(ctx context.Context, station string) ([]store.Summary, error) {
	if d.jobs == nil {
		return nil, errNoJobs
	}
	all, err := d.jobs.Jobs(ctx)
	out := []store.Summary{}
	for _, m := range all {
		if m.Station == station || d.known[m.Station] == nil {
			out = append(out, m)
		}
	}
	return out, err
}

// get opens a job of a station, or finds it open.
func (d *desk) get(ctx context.Context, st *Station, id string) (*bench, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if b := d.open[id]; b != nil && (b.st == st || b.foreign != "") {
		return b, nil
	}
	if d.ended {
		return nil, errors.New(say("job.ending"))
	}
	list, err := d.list(ctx, st.Name())
	if err != nil {
		return nil, err
	}
	for _, m := range list {
		if m.ID != id {
			continue
		}
		j, err := job.New(d.jobs.Job(id))
		if err != nil {
			return nil, err
		}
		b := &bench{id: id, name: m.Name, st: st, job: j, desk: d}
		if m.Station != st.Name() {
			b.foreign = m.Station
		}
		d.open[id] = b
		return b, nil
	}
	return nil, fmt.Errorf(say("job.unknown"), store.ErrNoJob, id, st.Name())
}

// resume takes up the newest open job of every station as it was left. A
// virtual fan was made anew with the program, so it gets the weights that the
// job says are on it, and a run that ended with the program is recorded as ended.
func (d *desk) resume(ctx context.Context, stations []*Station) error {
	if d.jobs == nil {
		return nil
	}
	var failed []error
	for _, st := range stations {
		list, err := d.list(ctx, st.Name())
		if err != nil {
			return err
		}
		for _, m := range list {
			if !m.Closed.IsZero() || m.Damage != "" || m.Station != st.Name() {
				continue
			}
			b, err := d.get(ctx, st, m.ID)
			if err == nil {
				err = b.resume(ctx)
			}
			failed = append(failed, err)
			break
		}
	}
	return errors.Join(failed...)
}

func (b *bench) resume(ctx context.Context) error {
	s := b.job.State()
	if s.Setup == nil || !s.Setup.Virtual || b.st.Fan == nil || b.st.Fan.State().Motion != rig.Still {
		return nil
	}
	if err := b.st.Fan.Fit(s.Fit.Weights); err != nil {
		return err
	}
	if !s.Running {
		return nil
	}
	_, err := b.job.Append(ctx, job.Event{Kind: job.KindStopped, At: b.desk.now(), By: s.Operator, Note: say("job.resumed")})
	return err
}

// close ends all work and lets go of all jobs.
func (d *desk) close() error {
	d.cancel()
	d.work.Wait()
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ended = true
	var errs []error
	for id, b := range d.open {
		errs = append(errs, b.job.Close())
		delete(d.open, id)
	}
	return errors.Join(errs...)
}
