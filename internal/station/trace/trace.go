package trace

import (
	"fmt"
	"math"
	"strings"
	"sync"

	"counterpoise/internal/acq"
	"counterpoise/internal/blades/running"
	"counterpoise/internal/phase"
	"counterpoise/internal/phase/sweep"
	"counterpoise/internal/spectrum/poweroff"
)

// Kind is what is followed.
type Kind string

// The kinds.
const (
	Speed Kind = "speed" // a run-up, a coast-down, a switching off
	Track Kind = "track" // blades passing a distance sensor
)

// Config says what to follow. Only Kind is needed.
type Config struct {
	Kind    Kind
	Orders  []int           // of the vectors that are kept; 1 is always among them
	Power   poweroff.Config // what is known of the machine
	NoSweep bool            // resonances are not asked for
	NoPower bool            // what vanishes with the current is not asked for
	Channel string          // the distance sensor's, by name or number from 0
	Blades  running.Config  // its Channel is found by name
	Whole   bool            // to the end of a recording, whatever happens in it
	Seconds float64         // most that is followed; 0 = mostSeconds
}

const (
	mostSeconds  = 900  // of a live source; a rotor in good bearings coasts for minutes
	fewTurns     = 20   // before a standstill ends it
	steadyWithin = 0.02 // of the speed
	// SteadySeconds is how long it should run steadily before it is switched off:
	// twice the line frequency is told from a second order 0.8 Hz beside it.
	SteadySeconds = 15.0
)

// Progress is how far a Trace has come.
type Progress struct {
	Seconds float64 // of signal
	Turns   int     // revolutions that it will use
	Want    int     // of them that it waits for; 0 = until it stands
	Motion  phase.Motion
	Speed   float64 // rad/s, newest
	High    float64 // rad/s, highest seen
	Low     float64 // rad/s, lowest seen
	Steady  float64 // s, for which the speed has not changed
	Done    bool    // enough has been seen, or the rotor stands
}

// Trace follows one machine. Add is called by one goroutine; everything else
// may be called from any, also meanwhile.
type Trace struct {
	cfg Config

	mu    sync.Mutex
	setup *acq.Setup
	first uint64
	now   Progress
	begun float64 // s, since when the speed is steady
	level float64 // rad/s, of that steady speed
	over  bool
	bad   error // why it cannot be answered at all

	x     *phase.Extractor
	sweep *sweep.Sweep
	power *poweroff.Test
	track *running.Track
}

// New makes an empty Trace.
func New(c Config) *Trace {
	if !(c.Seconds > 0) {
		c.Seconds = mostSeconds
	}
	if c.Kind == Track && !(c.Blades.Turns > 0) {
		c.Blades.Turns = defaultTurns
	}
	t := &Trace{cfg: c, x: phase.NewExtractor(phase.Config{Orders: c.Orders})}
	t.now.Low, t.now.Want = math.Inf(1), c.Blades.Turns
	if c.Kind == Speed && !c.NoPower {
		t.power = poweroff.New(c.Power)
	}
	return t
}

// Kind is what it follows.
func (t *Trace) Kind() Kind { return t.cfg.Kind }

// Add takes the next block and copies what it keeps. It reports whether enough
// has been seen; later blocks change nothing then.
func (t *Trace) Add(b *acq.Block) (done bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.over || t.bad != nil || b == nil || b.Setup == nil {
		return t.over || t.bad != nil
	}
	if t.setup == nil {
		t.first = b.Tick
	}
	if t.setup != b.Setup {
		t.setup = b.Setup
		t.sweep = sweep.New(b.Setup, t.x.Orders()) // another set-up begins anew
		if t.cfg.Kind == Track && t.track == nil {
			t.aim()
		}
	}
	if b.Gap != acq.NoLoss {
		t.level = 0 // what comes before a hole is no steady running
	}
	t.now.Seconds = float64(int64(b.Tick-t.first)) / b.Setup.TickHz
	t.x.Add(b, t.turn)
	st := t.x.State()
	t.now.Motion, t.now.Speed = st.Motion, st.Speed
	if t.power != nil {
		t.power.Add(b)
	}
	switch {
	case t.cfg.Kind == Speed:
		t.now.Done = !t.cfg.Whole && st.Motion == phase.Still && t.now.Turns >= fewTurns
	case t.track != nil:
		t.track.Add(b)
		t.now.Turns = t.track.Turns()
		t.now.Done = !t.cfg.Whole && t.track.Steady() && t.now.Turns >= t.now.Want
	}
	if !t.cfg.Whole && t.now.Seconds > t.cfg.Seconds {
		t.now.Done = true
	}
	t.over = t.now.Done
	return t.over || t.bad != nil
}

func (t *Trace) turn(u *phase.Turn) {
	if t.cfg.Kind == Speed {
		t.sweep.Add(u)
		t.now.Turns = len(t.sweep.Points)
	}
	t.now.High, t.now.Low = math.Max(t.now.High, u.Speed), math.Min(t.now.Low, u.Speed)
	end := u.Tick + u.Seconds
	if !(math.Abs(u.Speed-t.level) < steadyWithin*t.level) {
		t.level, t.begun = u.Speed, end
	}
	t.now.Steady = end - t.begun
}

// aim finds the distance sensor's channel.
func (t *Trace) aim() {
	if t.cfg.Blades.Channel, t.bad = ChannelOf(t.setup, t.cfg.Channel); t.bad == nil {
		t.track = running.New(t.cfg.Blades)
	}
}

const defaultTurns = 100

// ChannelOf finds a channel by its name, or its number from 0.
func ChannelOf(s *acq.Setup, word string) (int, error) {
	var names []string
	for i, c := range s.Channels {
		if c.Name == word || fmt.Sprint(i) == word {
			return i, nil
		}
		names = append(names, c.Name)
	}
	return 0, fmt.Errorf("there is no channel %q: name the distance sensor's, one of %s", word, strings.Join(names, ", "))
}

// End says that no more blocks come, because a recording has ended or a person
// has seen enough.
func (t *Trace) End() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.over, t.now.Done = true, true
}

// Progress is how far it has come.
func (t *Trace) Progress() Progress {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.now
}

// Sweep is what has been seen so far of the vectors against speed, to be drawn
// while it grows.
func (t *Trace) Sweep() *sweep.Sweep {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.sweep == nil {
		return &sweep.Sweep{}
	}
	s := *t.sweep // points are never altered, only added
	return &s
}

// Setup is that of the newest block, nil before the first.
func (t *Trace) Setup() *acq.Setup {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.setup
}
