package station

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"counterpoise/internal/acq"
	"counterpoise/internal/job"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
)

// taker gathers the turns of one reading that somebody waits for.
type taker struct {
	ask    Ask
	avg    *phase.Average
	steady steadiness
	done   chan taken      // one value, never blocks
	ctx    context.Context // of the one who waits

	spectra *spectrum.Averager // over the turns of the reading; nil = nothing is kept beside it
	raw     Raw
	turn    float64        // s, duration of the reading's first turn until hear has seen to it
	ready   *phase.Reading // complete, while the first spectrum is still filling
}

// taken is a reading and what is kept beside it, where that was asked for.
type taken struct {
	reading phase.Reading
	kept    Kept
}

// The spectrum of a reading is ready within 1.6 s, which 64 turns last on all but
// fast fans, and still parts twice line from twice speed.
const (
	readingLines = 1600
	readingHz    = 1000
)

// Take waits for a steady speed, then for a reading that has settled as asked.
// It begins with turns that come after the call. A gap (a pulled cable, lost
// frames) begins it anew: a reading never spans one. The reading may carry
// flags; the caller decides by Trusted. It fails when ctx ends, and when the
// station does.
func (s *Station) Take(ctx context.Context, ask Ask) (phase.Reading, error) {
	got, err := s.take(ctx, ask, nil)
	return got.reading, err
}

// TakeKept is Take that also keeps the spectra and the raw signal of the reading's
// own time, so that two readings can be laid over each other later. A reading
// that is shorter than one block of the spectrum waits for that block.
func (s *Station) TakeKept(ctx context.Context, ask Ask) (phase.Reading, Kept, error) {
	got, err := s.take(ctx, ask, spectrum.New(spectrum.Config{Lines: readingLines, MaxHz: readingHz}))
	return got.reading, got.kept, err
}

func (s *Station) take(ctx context.Context, ask Ask, spectra *spectrum.Averager) (taken, error) {
	s.taking.Lock()
	defer s.taking.Unlock()
	if ask.MinTurns < 2 {
		ask.MinTurns = 2
	}
	if ask.MaxTurns < ask.MinTurns {
		ask.MaxTurns = 8 * ask.MinTurns
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel() // tells the loop that nobody waits any more
	t := &taker{ask: ask, avg: phase.NewAverage(phase.AverageConfig{}), done: make(chan taken, 1), ctx: ctx, spectra: spectra}
	select {
	case s.asks <- t:
	case <-s.ended:
		return taken{}, errEnded
	case <-ctx.Done():
		return taken{}, s.gaveUp(ctx)
	}
	select {
	case r := <-t.done:
		return r, nil
	case <-s.ended:
		return taken{}, errEnded
	case <-ctx.Done():
		return taken{}, s.gaveUp(ctx)
	}
}

var errEnded = errors.New("no reading: the source has ended; open it again or start the station")

// gaveUp says what the station knew when the wait for a reading ended.
func (s *Station) gaveUp(ctx context.Context) error {
	why := "nothing came from the source yet"
	if n := s.Latest(); n != nil {
		switch {
		case !n.Link.Up:
			why = "the link is " + n.Link.State + ": " + n.Link.Reason
		case n.Motion != Turning:
			why = fmt.Sprintf("the rotor is %v as far as the tach tells", n.Motion)
		default:
			why = "the speed or the vibration had not settled"
		}
	}
	return fmt.Errorf("no reading was taken: %s: %w", why, context.Cause(ctx))
}

func (t *taker) restart() {
	t.avg.Reset()
	t.steady, t.ready = steadiness{}, nil
	if t.spectra != nil {
		t.spectra.Reset()
		t.raw = Raw{}
	}
}

// hear takes the block that the newest turns came from. It ends a reading that
// only waited for its spectrum.
func (t *taker) hear(b *acq.Block) (done bool) {
	if t.spectra == nil {
		return false
	}
	t.raw.add(b)
	if !t.steady.ok {
		if wait := int(rawWaiting * b.Setup.Rate); len(b.Samples) > 0 && len(t.raw.Samples[0]) > 2*wait {
			t.raw.newest(wait)
		}
		return false
	}
	if t.turn > 0 { // the reading began with a turn of this block
		t.raw.newest(int(rawTurns*t.turn*b.Setup.Rate) + b.Len())
		t.turn = 0
	}
	t.spectra.Add(b)
	return t.ready != nil && t.finish()
}

// finish hands the reading over, unless its spectrum is still filling.
func (t *taker) finish() bool {
	if t.ready == nil {
		r := t.avg.Reading()
		t.ready = &r
	}
	got := taken{reading: *t.ready}
	if t.spectra != nil {
		if got.kept.Spectra = t.spectra.Latest(); got.kept.Spectra == nil {
			return false
		}
		if t.raw.Setup != nil {
			got.kept.Raw = &t.raw
		}
	}
	t.done <- got
	return true
}

// add takes one turn and reports whether the reading is complete. What ran before
// it, without a stop and at its speed, tells how slowly the vibration wanders.
func (t *taker) add(turn *phase.Turn, before *phase.Average) bool {
	if t.ready != nil {
		return false
	}
	if !t.steady.add(turn.Speed) {
		t.avg.Reset() // run-up, or the speed was still settling
		return false
	}
	if t.avg.Turns() == 0 {
		t.avg.Remember(before)
	}
	if t.avg.Add(turn); t.avg.Turns() == 1 {
		t.turn = turn.Seconds
	}
	n := t.avg.Turns()
	due := n%checkTurns == 0
	if n < t.ask.MinTurns {
		if due && t.ask.Progress != nil {
			t.ask.Progress(n, worstError(t.avg.Reading()))
		}
		return false
	}
	if n >= t.ask.MaxTurns {
		return true
	}
	if !due {
		return t.ask.StandardError == 0 && n == t.ask.MinTurns && !tooNear(t.avg.Reading())
	}
	r := t.avg.Reading()
	worst := worstError(r)
	if t.ask.Progress != nil {
		t.ask.Progress(n, worst)
	}
	return (worst <= t.ask.StandardError || t.ask.StandardError == 0) && !tooNear(r)
}

// tooNear reports whether more turns would tell a named neighbour from the rotor.
func tooNear(r phase.Reading) bool {
	return slices.ContainsFunc(r.Flags, func(f phase.Flag) bool { return f.Code == phase.NearTone && f.Fatal })
}

// checkTurns is how often, in turns, a growing reading is judged.
const checkTurns = 8

// worstError is the largest standard error per axis of the 1x velocity of any
// channel that has one, m/s peak.
func worstError(r phase.Reading) (worst float64) {
	for c := range r.Channels {
		v, ok := r.In(c, 1, rotor.Velocity)
		if !ok {
			continue
		}
		se := math.Sqrt(v.Cov.PerAxis())
		if math.IsNaN(se) {
			return math.Inf(1)
		}
		worst = math.Max(worst, se)
	}
	return worst
}

// steadiness watches the speed of successive turns. A reading begins when the
// speed has kept within steadyWithin over steadyTurns turns, so that neither a
// run-up nor the ringing after it is part of it.
type steadiness struct {
	speeds [steadyTurns]float64
	n      int
	ok     bool
}

const (
	steadyTurns  = 16
	steadyWithin = 0.01 // relative, between the means of the older and the newer half
)

func (s *steadiness) add(speed float64) bool {
	s.speeds[s.n%steadyTurns] = speed
	s.n++
	if s.ok || s.n < steadyTurns {
		return s.ok
	}
	var older, newer float64
	for i := range steadyTurns / 2 {
		older += s.speeds[(s.n+i)%steadyTurns]
		newer += s.speeds[(s.n+i+steadyTurns/2)%steadyTurns]
	}
	s.ok = math.Abs(newer-older) <= steadyWithin*older
	return s.ok
}

// watchRoom is how many turns may wait for a guard that the computer keeps busy.
const watchRoom = 64

// Watch guards a run: it returns a job.LevelError as soon as a turn shows more
// than abort (m/s peak at 1x) on any channel, and nil when ctx ends. It sees
// every turn as it is published; of those it was too slow for it sees the highest.
func (s *Station) Watch(ctx context.Context, abort float64) error {
	q := s.Listen(watchRoom)
	defer q.Close()
	for {
		select {
		case <-ctx.Done():
			return nil
		case t := <-q.C:
			_, missed := q.Missed()
			if high := max(t.Level, missed); high > abort {
				return job.LevelError{Level: high}
			}
		}
	}
}
