package acq

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"counterpoise/internal/acq/tickline"
)

// obedient serves a board that obeys loopback commands, but for the first deaf
// of them, and keeps the periods that it was told.
func obedient(ctx context.Context, b *board, p *fakePort, deaf int, told *[]uint32) {
	var dec tickline.Decoder
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	hear := func(said []byte) {
		for len(said) > 0 {
			n, f, _ := dec.Decode(said)
			said = said[n:]
			if f == nil {
				continue
			}
			if f.Type == tickline.TypeLoopback {
				if *told = append(*told, f.Command.PeriodTicks); len(*told) <= deaf {
					continue
				}
				b.g.Flags &^= tickline.FlagLoopback
				if f.Command.PeriodTicks > 0 {
					b.g.Flags |= tickline.FlagLoopback
				}
			}
			p.in <- b.greeting(nil)
		}
	}
	for {
		select {
		case <-ctx.Done():
			for len(p.out) > 0 { // what was said last
				hear(<-p.out)
			}
			return
		case said := <-p.out:
			hear(said)
		case <-tick.C:
			p.in <- b.data(nil)
		}
	}
}

// TestLoopbackIsAskedShownAndEnded: the command is said until a greeting shows
// the wave, the set-up says that the wave is on, and a source that is closed
// ends it.
func TestLoopbackIsAskedShownAndEnded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		b, p := newBoard(), newFakePort()
		var told []uint32
		over := make(chan struct{})
		go func() { obedient(ctx, b, p, 2, &told); close(over) }()
		s := startFake(t, func(context.Context) (port, error) { return p, nil }, Options{Queue: 10000})
		note := func() string {
			blk, err := s.Next(ctx)
			if err != nil {
				t.Fatal(err)
			}
			return strings.Join(blk.Setup.Notes, " ")
		}
		if n := note(); n != "" {
			t.Errorf("before: %q", n)
		}
		print := s.Setup().Fingerprint()
		exact, err := s.Loopback(0.01234567)
		if err != nil || exact != 197531/16e6 {
			t.Errorf("%v s, %v", exact, err)
		}
		time.Sleep(3 * time.Second)
		for note() == "" {
		}
		if n := note(); n != loopNote {
			t.Errorf("during: %q", n)
		}
		if s.Setup().Fingerprint() != print {
			t.Error("the wave alters the fingerprint")
		}
		s.Close()
		cancel()
		<-over
		if len(told) != 4 || told[0] != 197531 || told[2] != 197531 || told[3] != 0 {
			t.Errorf("the board was told the periods %v", told)
		}
	})
}

// TestLoopbackOfBeforeIsEnded: a board that a program left looping is called back.
func TestLoopbackOfBeforeIsEnded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		b, p := newBoard(), newFakePort()
		b.g.Flags |= tickline.FlagLoopback
		var told []uint32
		over := make(chan struct{})
		go func() { obedient(ctx, b, p, 0, &told); close(over) }()
		s := startFake(t, func(context.Context) (port, error) { return p, nil }, Options{Queue: 10000})
		time.Sleep(3 * time.Second)
		if n := s.Setup().Notes; len(n) > 0 {
			t.Errorf("%q", n)
		}
		s.Close()
		cancel()
		<-over
		if len(told) != 1 || told[0] != 0 {
			t.Errorf("the board was told the periods %v", told)
		}
	})
}

func TestLoopbackThatCannotBe(t *testing.T) {
	w, err := parseWord("serial:/dev/fake?mode=lines")
	if err != nil {
		t.Fatal(err)
	}
	lines, err := newText(w)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := (&live{name: "/dev/fake", fr: lines}).Loopback(0.1); err == nil || !strings.Contains(err.Error(), "takes no commands") {
		t.Errorf("lines: %v", err)
	}
	wire := newWire(w)
	if _, err := (&live{name: "/dev/fake", fr: wire}).Loopback(0.1); err == nil || !strings.Contains(err.Error(), "introduced") {
		t.Errorf("before a greeting: %v", err)
	}
	wire.asm.setup = &Setup{TickHz: 16e6}
	for _, bad := range []float64{-1, 300, 1e300} {
		if _, err := (&live{name: "/dev/fake", fr: wire}).Loopback(bad); err == nil {
			t.Errorf("%g s was accepted", bad)
		}
	}
}
