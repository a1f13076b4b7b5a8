package acq

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"counterpoise/internal/acq/tickline"
)

// fakePort is a port over a channel: a Read waits for a tenth of a second.
type fakePort struct {
	in     chan []byte
	out    chan []byte // commands from the host; may be nil
	cut    chan struct{}
	closed bool
	rest   []byte
}

func newFakePort() *fakePort {
	return &fakePort{in: make(chan []byte, 10000), out: make(chan []byte, 1000), cut: make(chan struct{})}
}

func (p *fakePort) Read(b []byte) (int, error) {
	if len(p.rest) == 0 {
		select {
		case p.rest = <-p.in:
		case <-p.cut:
			return 0, errors.New("input/output error")
		case <-time.After(pause):
			return 0, nil
		}
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func (p *fakePort) Write(b []byte) (int, error) {
	select {
	case p.out <- append([]byte{}, b...):
		return len(b), nil
	default:
		return 0, errors.New("full")
	}
}

func (p *fakePort) Close() error { p.closed = true; return nil }

// serveBoard answers each hello on p with a greeting and then sends a frame
// every ten milliseconds, until ctx ends.
func serveBoard(ctx context.Context, b *board, p *fakePort) {
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-p.out:
			p.in <- b.greeting([]byte{0})
		case <-tick.C:
			p.in <- b.data(nil)
		}
	}
}

func startFake(t *testing.T, dial dialer, o Options) *live {
	t.Helper()
	w, err := parseWord("serial:/dev/fake")
	if err != nil {
		t.Fatal(err)
	}
	s, err := startLive("/dev/fake", newWire(w), dial, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestReconnectsWithBackOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		b := newBoard()
		start := time.Now()
		var dials []time.Duration
		var p *fakePort
		stop := func() {}
		var down atomic.Bool
		dial := func(context.Context) (port, error) {
			isDown := down.Load() // before anything that the test reads
			dials = append(dials, time.Since(start))
			if isDown {
				return nil, errors.New("no such port")
			}
			p = newFakePort()
			var served context.Context
			served, stop = context.WithCancel(ctx)
			go serveBoard(served, b, p)
			return p, nil
		}
		var taped []byte
		s := startFake(t, dial, Options{Queue: 10000, Tap: func(p []byte) { taped = append(taped, p...) }})
		next := func() Block {
			blk, err := s.Next(ctx)
			if err != nil {
				t.Fatal(err)
			}
			return cloneBlock(blk)
		}
		var got []Block
		for range 50 {
			got = append(got, next())
		}
		if l := s.Link(); l.State != Running || !l.Up || l.Reason != "" {
			t.Errorf("link %+v", l)
		}
		// the cable is pulled for 20 s, the board goes on measuring
		synctest.Wait()
		down.Store(true)
		close(p.cut)
		stop()
		time.Sleep(20 * time.Second)
		synctest.Wait()
		for range 2000 {
			b.make()
		}
		if l := s.Link(); l.State != Down || l.Up || !strings.Contains(l.Reason, "no such port") || !strings.Contains(l.Reason, "no readings") {
			t.Errorf("link %+v", l)
		}
		tried := len(dials)
		down.Store(false)
		for range 50 {
			got = append(got, next())
		}
		synctest.Wait()
		check(t, b, got)
		gaps := 0
		for _, blk := range got {
			if blk.Gap != NoLoss {
				gaps++
				if blk.Gap != LinkDown || blk.Lost < 2000*20 || blk.Lost > 2100*20 {
					t.Errorf("gap %v, lost %d", blk.Gap, blk.Lost)
				}
			}
		}
		c := s.Counts()
		if gaps != 1 || c.Reconnects != 1 || c.Gaps["link_down"] != 1 {
			t.Errorf("%d gaps, %+v", gaps, c)
		}
		s.Close()
		if tried < 7 || tried > 12 {
			t.Errorf("%d tries in 20 s: %v", tried, dials)
		}
		for i, want := range []time.Duration{200, 400, 800, 1600, 3200, 5000, 5000} {
			if i+2 < tried && dials[i+2]-dials[i+1] != want*time.Millisecond {
				t.Errorf("try %d came %v after the one before, want %v ms", i+2, dials[i+2]-dials[i+1], want)
			}
		}
		cancel()
		if !p.closed {
			t.Error("the port was left open")
		}
		if _, err := s.Next(context.Background()); err == nil {
			// blocks that were queued may still come, then the end
			for err == nil {
				_, err = s.Next(context.Background())
			}
			if !errors.Is(err, errClosed) {
				t.Errorf("after Close: %v", err)
			}
		}
		if again, _ := replay(t, taped, ""); !sameBlocks(again[:len(got)], got) {
			t.Error("what was taped does not replay to the same blocks")
		}
	})
}

// sameBlocks compares blocks but for set-up pointers and host times.
func sameBlocks(a, b []Block) bool {
	strip := func(all []Block) (out []string) {
		for _, x := range all {
			x.Setup, x.Arrived = nil, time.Time{}
			out = append(out, fmt.Sprintf("%+v", x))
		}
		return out
	}
	return strings.Join(strip(a), "\n") == strings.Join(strip(b), "\n")
}

func TestALaggingReaderLosesWholeBlocksAndIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		b, p := newBoard(), newFakePort()
		go serveBoard(ctx, b, p)
		s := startFake(t, func(context.Context) (port, error) { return p, nil }, Options{Queue: 8})
		defer s.Close()
		time.Sleep(3 * time.Second)
		var got []Block
		for range 40 {
			blk, err := s.Next(ctx)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, cloneBlock(blk))
		}
		check(t, b, got)
		c := s.Counts()
		lost := uint64(0)
		for _, blk := range got {
			lost += blk.Lost
		}
		if got[8].Gap != ReaderLag || c.DroppedBlocks < 200 || got[8].Lost != 20*c.DroppedBlocks || c.LostSamples != lost || c.Gaps["reader_lag"] != 1 {
			t.Errorf("%v, %d lost: %+v", got[8].Gap, got[8].Lost, c)
		}
	})
}

// TestLinksThatNeverWork are the ways in which a first opening fails, each told
// in one sentence, and each kept trying where a daemon waits.
func TestLinksThatNeverWork(t *testing.T) {
	v9 := newBoard()
	v9.g.Protocol = 9
	for name, c := range map[string]struct {
		bytes func() []byte
		want  string
	}{
		"silence":         {func() []byte { return nil }, "nothing comes from it"},
		"wrong baud":      {func() []byte { return []byte{0x80, 0xF8, 0x1C, 0, 0xFE, 0x07, 0x80, 0} }, "the speed is wrong (add baud=)"},
		"text":            {func() []byte { return []byte("12,34,56\r\n") }, "mode=lines"},
		"another version": {func() []byte { return v9.data(v9.greeting(nil)) }, "speaks tickline version 9"},
		"an echo":         {func() []byte { return tickline.AppendCommand(nil, 0, tickline.Command{Type: tickline.TypeAsk}) }, "echoes"},
		"a deaf board":    {func() []byte { return newBoard().data(nil) }, "does not answer when it is asked"},
	} {
		for _, wait := range []bool{false, true} {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithTimeout(context.Background(), 8*time.Second)
				defer cancel()
				p := newFakePort()
				go func() {
					for ctx.Err() == nil {
						time.Sleep(20 * time.Millisecond)
						if b := c.bytes(); b != nil {
							p.in <- b
						}
					}
				}()
				s := startFake(t, func(context.Context) (port, error) { return p, nil }, Options{Wait: wait})
				_, err := s.Next(ctx)
				sentence := s.Link().Reason
				if !wait {
					sentence = err.Error()
				} else if !errors.Is(err, context.DeadlineExceeded) {
					t.Errorf("%s: a daemon gave up: %v", name, err)
				}
				if !strings.Contains(sentence, c.want) || strings.Contains(sentence, "\n") {
					t.Errorf("%s, wait %v: %q, want %q", name, wait, sentence, c.want)
				}
				s.Close()
				cancel()
				time.Sleep(time.Second) // the writer above ends
			})
		}
	}
}

// TestSilence: the board stops for 2 s, 4 s and 15 s without the link failing.
func TestSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		b := newBoard()
		ports := 0
		var p *fakePort
		dial := func(context.Context) (port, error) { ports++; p = newFakePort(); return p, nil }
		s := startFake(t, dial, Options{Queue: 1000})
		defer s.Close()
		for _, stall := range []time.Duration{2 * time.Second, 4 * time.Second, 15 * time.Second} {
			served, stop := context.WithCancel(ctx)
			synctest.Wait()
			go serveBoard(served, b, p)
			time.Sleep(time.Second)
			if l := s.Link(); l.State != Running {
				t.Errorf("before %v: %+v", stall, l)
			}
			stop()
			time.Sleep(stall)
			if l := s.Link(); l.State == Running || l.Reason == "" {
				t.Errorf("after %v: %+v", stall, l)
			}
		}
		if ports != 2 {
			t.Errorf("opened %d times; only the last silence is hopeless", ports)
		}
	})
}

// TestAnotherBoardAfterUnplugging: nothing may be read with the scale of the
// board that was there before.
func TestAnotherBoardAfterUnplugging(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		first, second := newBoard(), newBoard()
		second.g.Channels[0].Scale = 7
		second.g.ID = 2
		boards := []*board{first, second}
		var p *fakePort
		dial := func(context.Context) (port, error) {
			p = newFakePort()
			b := boards[0]
			boards = boards[1:]
			p.in <- b.data(b.data(nil)) // was already sending
			go serveBoard(ctx, b, p)
			return p, nil
		}
		s := startFake(t, dial, Options{Queue: 1000})
		defer s.Close()
		time.Sleep(time.Second)
		synctest.Wait()
		close(p.cut)
		seen := map[string]bool{}
		for range 150 {
			blk, err := s.Next(ctx)
			if err != nil {
				t.Fatal(err)
			}
			want := map[string]*board{first.id(): first, second.id(): second}[blk.Setup.ID]
			if blk.Samples[0][0] != want.g.Channels[0].Scale*float32(count(uint64(uint32(blk.Sample)), 0)-3) && blk.Setup.ID == first.id() {
				t.Fatalf("block of %s has %v", blk.Setup.ID, blk.Samples[0][0])
			}
			if !seen[blk.Setup.ID] && len(seen) > 0 && blk.Gap == NoLoss {
				t.Error("the change of boards is no gap")
			}
			seen[blk.Setup.ID] = true
		}
		if len(seen) != 2 {
			t.Errorf("boards seen: %v", seen)
		}
	})
}

func (b *board) id() string { return fmt.Sprintf("%016x", b.g.ID) }

func TestCloseWhileNothingComes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := startFake(t, func(context.Context) (port, error) { return nil, errors.New("gone") }, Options{Wait: true})
		time.Sleep(time.Minute)
		start := time.Now()
		s.Close()
		if d := time.Since(start); d > time.Second {
			t.Errorf("Close took %v", d)
		}
	})
}
