package job

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// plant is a linear rotor with noise, made up: V = V0 + A w.
type plant struct {
	setup   Setup
	v0      []complex128
	a       [][]complex128 // [sensor][plane], m/s per kg
	sigma   float64        // m/s per axis, of a reading
	rng     *rand.Rand
	clock   time.Time
	running bool
	on      []rotor.Weight
	takes   int
	starts  int
	// spoil may spoil or refuse the n-th reading (from 1), or end the test's context.
	spoil func(n int, r *phase.Reading) error
	level float64 // m/s peak that the rotor shows while it runs up, beside its vectors
}

func newPlant(seed uint64, v0 []complex128, a [][]complex128) *plant {
	p := &plant{v0: v0, a: a, sigma: 2e-5, rng: rand.New(rand.NewPCG(seed, 5)), clock: t0, setup: *fan()}
	p.setup.Virtual = true
	p.setup.Planes = p.setup.Planes[:len(a[0])]
	for i := range p.setup.Planes {
		p.setup.Planes[i].Positions = rotor.EvenPositions(16, 0.1, rotor.WithRotation)
		p.setup.Planes[i].Cap, p.setup.Planes[i].MaxForce = 0.4, 0
		p.setup.Planes[i].Masses = []float64{0.001, 0.002, 0.005, 0.01, 0.02, 0.05}
	}
	return p
}

func (p *plant) config(t *testing.T, path string) AutoConfig {
	t.Helper()
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return AutoConfig{Job: j, Setup: p.setup, Instrument: p, Rotor: p, Ask: Ask{MinTurns: 100},
		Now: func() time.Time { return p.clock },
		Wait: func(ctx context.Context, until time.Time) error {
			p.clock = until
			return ctx.Err()
		}}
}

func (p *plant) Start(ctx context.Context) error {
	if p.running {
		return errors.New("started while it runs")
	}
	p.running = true
	p.starts++
	p.clock = p.clock.Add(time.Minute)
	if a := p.setup.Abort; a > 0 && p.shakes() > a {
		<-ctx.Done() // the watch speaks during the run-up
	}
	return ctx.Err()
}

func (p *plant) Stop(context.Context) error {
	p.running = false
	p.clock = p.clock.Add(time.Minute)
	return nil
}

func (p *plant) Fit(_ context.Context, total []rotor.Weight) error {
	if p.running {
		return errors.New("a hand in the running rotor")
	}
	p.on = total
	return nil
}

func (p *plant) true() []complex128 {
	v := append([]complex128(nil), p.v0...)
	for s := range v {
		for i, pl := range p.setup.Planes {
			for _, w := range p.on {
				if w.Plane == pl.Name {
					v[s] += p.a[s][i] * w.Phasor(pl.Radius)
				}
			}
		}
	}
	return v
}

func (p *plant) Take(ctx context.Context, ask Ask) (phase.Reading, error) {
	if !p.running {
		return phase.Reading{}, errors.New("measured at rest")
	}
	p.takes++
	p.clock = p.clock.Add(20 * time.Second)
	v := p.true()
	for i := range v {
		v[i] += complex(p.sigma*p.rng.NormFloat64(), p.sigma*p.rng.NormFloat64())
	}
	r := reading(v...)
	for i := range r.Channels {
		r.Channels[i].Orders[0].Cov = rotor.Isotropic(p.sigma * p.sigma)
	}
	if p.spoil != nil {
		if err := p.spoil(p.takes, r); err != nil {
			return phase.Reading{}, err
		}
	}
	return *r, ctx.Err()
}

func (p *plant) shakes() float64 { return math.Max(p.level, worstOf(p)) }

func (p *plant) Watch(ctx context.Context, abort float64) error {
	if l := p.shakes(); l > abort {
		return LevelError{l}
	}
	<-ctx.Done()
	return nil
}

func onePlane() *plant {
	return newPlant(1, []complex128{8e-3i, 3e-3}, [][]complex128{{cmplx.Rect(0.14, 1)}, {cmplx.Rect(0.054, 1+2.2)}})
}

func twoPlanes(seed uint64) *plant {
	rng := rand.New(rand.NewPCG(seed, 11))
	z := func(m float64) complex128 { return cmplx.Rect(m*(0.5+rng.Float64()), 6.28*rng.Float64()) }
	return newPlant(seed, []complex128{z(8e-3), z(5e-3)}, [][]complex128{{z(0.14), z(0.05)}, {z(0.05), z(0.12)}})
}

// TestAuto: whole jobs end inside the tolerance, and what they claim is true.
func TestAuto(t *testing.T) {
	single := onePlane()
	single.v0[1] = single.v0[0] / single.a[0][0] * single.a[1][0] // one weight can null both
	plants := map[string]*plant{"one plane": single}
	for seed := range uint64(6) {
		plants[fmt.Sprint("two planes, seed ", seed)] = twoPlanes(seed)
	}
	stays := twoPlanes(3)
	stays.setup.TrialStays = true
	plants["trial stays"] = stays
	good := twoPlanes(4)
	good.v0 = []complex128{3e-4, 2e-4i}
	plants["good as found"] = good
	limited := twoPlanes(5)
	limited.setup.StartsPerHour = 2
	plants["two starts an hour"] = limited
	for name, p := range plants {
		t.Run(name, func(t *testing.T) {
			r, err := Auto(context.Background(), p.config(t, filepath.Join(t.TempDir(), "j")))
			if err != nil || !r.OK {
				t.Fatalf("ok %v, %s, %v; runs %v", r.OK, r.Why, err, r.Runs)
			}
			for i, v := range p.true() {
				if tol := p.setup.Sensors[i].Tolerance; !(cmplx.Abs(v) <= tol) {
					t.Errorf("sensor %d really shows %g, tolerance %g", i, cmplx.Abs(v), tol)
				}
			}
			if !(r.Residual > 0) || !(r.Radius95 > 0) || !(r.Residual+r.Radius95 <= r.Tolerance) {
				t.Errorf("residual %g +- %g of %g", r.Residual, r.Radius95, r.Tolerance)
			}
			if p.running {
				t.Error("the rotor was left running")
			}
			if r.Runs[0].Name != "as found" || len(r.Runs) < 2 {
				t.Errorf("runs %v", r.Runs)
			}
			if err := p.setup.CheckForce(p.on); err != nil {
				t.Error(err)
			}
			if name == "good as found" && p.on != nil {
				t.Errorf("weights %v on a rotor that was good", p.on)
			}
			if name == "two starts an hour" {
				if d := p.clock.Sub(t0); d < time.Duration(p.starts/2-1)*time.Hour {
					t.Errorf("%d starts within %v", p.starts, d)
				}
			}
			if again, err := Auto(context.Background(), AutoConfig{Job: r.jobOf(t, p), Instrument: p, Rotor: p, Now: func() time.Time { return p.clock }}); err != nil || !again.OK {
				t.Errorf("called again on a closed job: %v %v", again.OK, err)
			}
		})
	}
}

// jobOf folds the result's job into memory, to be driven again.
func (r Result) jobOf(t *testing.T, p *plant) *Job {
	t.Helper()
	m := memory{}
	j, err := New(&m)
	if err != nil {
		t.Fatal(err)
	}
	j.newest.Store(&version{r.State, make(chan struct{})})
	return j
}

// TestAutoSpoiltReadings: a reading that fails, lies or stalls in the middle
// never becomes a run; the job repeats it, or stops with a sentence, and can be
// taken up again where it was.
func TestAutoSpoiltReadings(t *testing.T) {
	lie := func(r *phase.Reading) {
		for i := range r.Channels {
			r.Channels[i].Orders[0].Value *= 3i
		}
		r.Flags = append(r.Flags, phase.Flag{Code: "speed", Text: "the speed ran away: hold it and measure again", Fatal: true})
	}
	for name, c := range map[string]struct {
		spoil func(n int, r *phase.Reading) error
		fails string
	}{
		"cable out for three takes": {func(n int, _ *phase.Reading) error {
			if n >= 3 && n <= 5 {
				return errors.New("the link is down: plug the board in again")
			}
			return nil
		}, ""},
		"every second lies": {func(n int, r *phase.Reading) error {
			if n%2 == 0 {
				lie(r)
			}
			return nil
		}, ""},
		"cable out for good": {func(n int, _ *phase.Reading) error {
			if n >= 3 && n < 8 {
				return errors.New("the link is down: plug the board in again")
			}
			return nil
		}, "5 readings in a row could not be used (the last: the link is down"},
		"lies for good": {func(n int, r *phase.Reading) error {
			if n >= 3 && n < 8 {
				lie(r)
			}
			return nil
		}, "5 readings in a row could not be used (the last: the speed ran away"},
		"a sensor missing": {func(n int, r *phase.Reading) error {
			if n == 3 {
				r.Channels = r.Channels[:0]
			}
			return nil
		}, "none of the job's sensors"},
	} {
		t.Run(name, func(t *testing.T) {
			p := twoPlanes(1)
			p.spoil = c.spoil
			path := filepath.Join(t.TempDir(), "j")
			cfg := p.config(t, path)
			r, err := Auto(context.Background(), cfg)
			if c.fails != "" {
				if err == nil || !strings.Contains(err.Error(), c.fails) || r.OK {
					t.Fatalf("ok %v, error %v; want one with %q", r.OK, err, c.fails)
				}
				if p.running || r.State.Running {
					t.Error("the rotor was left running")
				}
				cfg.Job.Close()
				p.spoil = nil
				r, err = Auto(context.Background(), p.config(t, path))
			}
			if err != nil || !r.OK {
				t.Fatalf("ok %v, %s, %v", r.OK, r.Why, err)
			}
			for i, run := range r.State.Runs {
				if !run.Reading.Trusted() {
					t.Errorf("run %d is not trusted", i)
				}
			}
		})
	}
}

// TestAutoHopeless: what weights cannot cure ends not ok, says why, and leaves
// the rotor standing and no worse than it was.
func TestAutoHopeless(t *testing.T) {
	couple := onePlane() // the one plane can only trade one sensor for the other
	couple.v0 = []complex128{8e-3i, 8e-3}
	couple.a[1][0] = couple.a[0][0]
	alike := twoPlanes(2) // both planes do the same to every sensor
	for s := range alike.a {
		alike.a[s][1] = alike.a[s][0]
	}
	dead := twoPlanes(2) // weights do nothing: the readings are not of this rotor
	for s := range dead.a {
		dead.a[s] = []complex128{0, 0}
	}
	drifts := twoPlanes(2) // as found twice the same, then another vector at every start
	drifts.spoil = func(n int, r *phase.Reading) error {
		for i := range r.Channels {
			if n > 2 {
				r.Channels[i].Orders[0].Value = cmplx.Rect(8e-3, 6.28*drifts.rng.Float64())
			}
		}
		return nil
	}
	wild := twoPlanes(2) // another vector at every start
	wild.spoil = func(n int, r *phase.Reading) error {
		for i := range r.Channels {
			r.Channels[i].Orders[0].Value = cmplx.Rect(8e-3, 6.28*wild.rng.Float64())
		}
		return nil
	}
	capped := onePlane()
	capped.v0[1] = capped.v0[0] / capped.a[0][0] * capped.a[1][0]
	capped.setup.Planes[0].Cap = 0.02 // 57 g are needed
	shaking := twoPlanes(2)
	shaking.level = 0.05
	shaking.setup.Abort = 0.03
	unknown := twoPlanes(2)
	unknown.setup.Machine.Mass = 0
	heavy := twoPlanes(2)
	for i := range heavy.setup.Planes {
		heavy.setup.Planes[i].Masses = []float64{0.3}
	}
	noGoal := twoPlanes(2)
	noGoal.setup.Machine.Grade = 0
	for i := range noGoal.setup.Sensors {
		noGoal.setup.Sensors[i].Tolerance = 0
	}
	for name, c := range map[string]struct {
		p    *plant
		want string
	}{
		"one plane for a couple": {couple, ""},
		"planes alike":           {alike, ""},
		"dead planes":            {dead, "no weights can be expected"},
		"wild":                   {wild, "did not show the same"},
		"drifts":                 {drifts, "contradict each other"},
		"cap too low":            {capped, ""},
		"shakes too much":        {shaking, "broken off"},
		"mass unknown":           {unknown, "rotor mass"},
		"box too heavy":          {heavy, "lightest weight in the box"},
		"no tolerance":           {noGoal, "no tolerance"},
	} {
		t.Run(name, func(t *testing.T) {
			before := worstOf(c.p)
			r, err := Auto(context.Background(), c.p.config(t, filepath.Join(t.TempDir(), "j")))
			if err != nil {
				t.Fatal(err)
			}
			t.Log(r.Why, r.Runs)
			if r.OK || r.Why == "" || !strings.Contains(r.Why, c.want) {
				t.Fatalf("ok %v: %s (want %q); runs %v", r.OK, r.Why, c.want, r.Runs)
			}
			if c.p.running || !r.State.Closed || r.State.Remark == "" {
				t.Errorf("running %v, closed %v with %q", c.p.running, r.State.Closed, r.State.Remark)
			}
			if after := worstOf(c.p); !(after <= before*1.001) {
				t.Errorf("left at %g, found at %g", after, before)
			}
		})
	}
}

// stuck is an instrument whose readings never settle.
type stuck struct{}

func (stuck) Take(ctx context.Context, _ Ask) (phase.Reading, error) {
	<-ctx.Done()
	return phase.Reading{}, errors.New("the speed never settled")
}

// TestAutoPatience: a reading that never comes ends the job with a sentence, and
// a program that is told to end does not wait for it.
func TestAutoPatience(t *testing.T) {
	dir := t.TempDir()
	for name, after := range map[string]time.Duration{"never settles": 0, "told to end": time.Minute} {
		synctest.Test(t, func(t *testing.T) {
			p := twoPlanes(1)
			j, err := Open(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			defer j.Close()
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			if after > 0 {
				time.AfterFunc(after, cancel)
			}
			began := time.Now()
			_, err = Auto(ctx, AutoConfig{Job: j, Setup: p.setup, Instrument: stuck{}, Rotor: p, Now: time.Now})
			took := time.Since(began)
			switch {
			case after == 0 && (err == nil || !strings.Contains(err.Error(), "never settled") || took != 5*time.Minute):
				t.Errorf("%s: %v after %v", name, err, took)
			case after > 0 && (!errors.Is(err, context.Canceled) || took > after+2*time.Second):
				t.Errorf("%s: %v after %v", name, err, took)
			case p.running:
				t.Errorf("%s: left running", name)
			}
		})
	}
}

func worstOf(p *plant) (w float64) {
	for _, v := range p.true() {
		w = math.Max(w, cmplx.Abs(v))
	}
	return w
}

// TestAutoAbortedTrial: where a trial weight makes the rotor shake too much it
// comes off, half of it is tried, and the job goes on.
func TestAutoAbortedTrial(t *testing.T) {
	p := onePlane()
	p.v0[1] = p.v0[0] / p.a[0][0] * p.a[1][0]
	p.setup.Planes[0].Positions = rotor.EvenPositions(8, cmplx.Phase(p.v0[0]/p.a[0][0]), rotor.WithRotation) // the first place is the heavy one
	p.setup.Abort = 10e-3                                                                                    // as found 8, with the advised 20 g 10.8
	r, err := Auto(context.Background(), p.config(t, filepath.Join(t.TempDir(), "j")))
	if err != nil || !r.OK {
		t.Fatalf("ok %v, %s, %v", r.OK, r.Why, err)
	}
	if len(r.State.Aborts) != 1 {
		t.Errorf("%d runs were broken off, want 1", len(r.State.Aborts))
	}
	first, second := r.State.Aborts[0].Fit, r.State.Fits[2]
	if a, b := total(first.Weights, "front"), total(second.Weights, "front"); second.Purpose != PurposeTrial || !(b <= a/2) || b == 0 {
		t.Errorf("after %g kg were too much %g kg were tried (%s)", a, b, second.Purpose)
	}
}

// TestAutoRefusesARealRotor: nothing starts a real machine by itself.
func TestAutoRefusesARealRotor(t *testing.T) {
	p := twoPlanes(1)
	p.setup.Virtual = false
	_, err := Auto(context.Background(), p.config(t, filepath.Join(t.TempDir(), "j")))
	if err == nil || !strings.Contains(err.Error(), "virtual") || p.starts != 0 {
		t.Errorf("error %v, %d starts", err, p.starts)
	}
}

// TestAutoInterrupted ends the job's context after every possible reading; taken
// up again it comes to the same end, with the same runs, as without interruption.
func TestAutoInterrupted(t *testing.T) {
	whole := twoPlanes(7)
	want, err := Auto(context.Background(), whole.config(t, filepath.Join(t.TempDir(), "j")))
	if err != nil || !want.OK {
		t.Fatal(want.Why, err)
	}
	for at := 1; at <= whole.takes; at++ {
		p := twoPlanes(7)
		path := filepath.Join(t.TempDir(), "j")
		ctx, cancel := context.WithCancel(context.Background())
		p.spoil = func(n int, _ *phase.Reading) error {
			if n == at {
				cancel()
			}
			return nil
		}
		cfg := p.config(t, path)
		if _, err := Auto(ctx, cfg); !errors.Is(err, context.Canceled) {
			t.Fatalf("take %d: %v", at, err)
		}
		if p.running {
			t.Fatalf("take %d: left running", at)
		}
		cfg.Job.Close()
		p.on = []rotor.Weight{weight("front", 3, 0)} // someone has tampered with it meanwhile
		got, err := Auto(context.Background(), p.config(t, path))
		if err != nil || !got.OK {
			t.Fatalf("take %d: %s %v", at, got.Why, err)
		}
		var a, b []string
		for _, r := range want.Runs {
			a = append(a, r.Name)
		}
		for _, r := range got.Runs {
			b = append(b, r.Name)
		}
		if !reflect.DeepEqual(a, b) {
			t.Errorf("take %d: runs %v, want %v", at, b, a)
		}
		cancel()
	}
}
