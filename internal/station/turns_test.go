package station

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"testing"
	"testing/synctest"

	"counterpoise/internal/job"
	"counterpoise/internal/phase"
)

// Every turn reaches a listener, one by one and in order, and each is counted
// among the latencies.
func TestEveryTurnIsPublished(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(2)
		f.end = 100
		s := New(StationConfig{Name: "test", Orders: []int{1}}, f, slog.New(slog.DiscardHandler))
		q := s.Listen(1000)
		if err := s.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		last := s.Latest()
		if n := uint64(len(q.C)); n != last.Turns || n < 100 {
			t.Fatalf("%d turns were heard, %d accepted", n, last.Turns)
		}
		for want := range last.Turns {
			u := <-q.C
			if u.Number != want || !(math.Abs(u.Speed/(2*math.Pi)-feedTurns) <= 1e-6) || len(u.Values) != 1 {
				t.Fatalf("turn %d: %+v", want, u)
			}
			// 2 m/s^2 at 20 Hz
			if !(math.Abs(u.Level-2/(2*math.Pi*feedTurns)) <= 1e-3*u.Level) {
				t.Fatalf("turn %d: level %g", want, u.Level)
			}
		}
		if n, _ := q.Missed(); n != 0 || last.Latency.Turns != last.Turns {
			t.Errorf("%d turns missed, latency of %d known", n, last.Latency.Turns)
		}
	})
}

// A listener that is too slow delays nobody; it is told how much it missed.
func TestASlowListenerIsToldWhatItMissed(t *testing.T) {
	var p turnstile
	s := &Station{}
	q, quick := s.Listen(2), s.Listen(100)
	p.queues = s.turns.queues
	for i := range 10 {
		p.publish(&phase.Turn{Number: uint64(i)}, float64(i))
	}
	if n, high := q.Missed(); n != 8 || high != 9 {
		t.Errorf("missed %d up to %g, want 8 up to 9", n, high)
	}
	if n, high := q.Missed(); n != 0 || high != 0 {
		t.Errorf("told twice: %d up to %g", n, high)
	}
	if n, _ := quick.Missed(); n != 0 || len(quick.C) != 10 {
		t.Errorf("the other one missed %d", n)
	}
	q.Close()
	if len(s.turns.queues) != 1 || s.turns.queues[0] != quick {
		t.Error("Close left the wrong queue")
	}
}

// The guard fires on one high turn, also where it slept while that turn passed.
func TestTheGuardMissesNoTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &Station{}
		got := make(chan error, 1)
		go func() { got <- s.Watch(t.Context(), 5) }()
		synctest.Wait()
		for i := range 3 * watchRoom {
			level := 1.0
			if i == 2*watchRoom {
				level = 7
			}
			s.turns.publish(&phase.Turn{}, level)
		}
		s.turns.publish(&phase.Turn{}, 1)
		var over job.LevelError
		if err := <-got; !errors.As(err, &over) || over.Level != 7 {
			t.Errorf("got %v", err)
		}
		if len(s.turns.queues) != 0 {
			t.Error("the guard still listens")
		}
	})
}

func TestTheGuardEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := (&Station{}).Watch(ctx, 1); err != nil {
		t.Error(err)
	}
}

// Publishing without a listener allocates nothing.
func TestPublishingAllocatesNothing(t *testing.T) {
	var p turnstile
	var l Latencies
	u := phase.Turn{Values: make([]complex128, 4)}
	if n := testing.AllocsPerRun(100, func() { p.publish(&u, 1); l.add(1e4) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
	if w := l.Within(); w[20e-6] != l.Turns || w[1e-3] != l.Turns {
		t.Errorf("10 us counted as %v", w)
	}
}
