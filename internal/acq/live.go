package acq

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"counterpoise/internal/acq/tickline"
)

// live is a Source over a port that may come and go. One goroutine, run, opens,
// reads and reopens; it hands blocks over in a bounded queue and never waits
// for the reader.
type live struct {
	mu                  sync.Mutex // framer, link, reconnects, clock, loop
	fr                  framer
	link                Link
	clk                 clockError
	reconnects, dropped uint64
	loop                loopOrder

	name string
	dial dialer
	opt  Options
	log  *slog.Logger

	out, free chan *Block
	held      *Block // with the reader
	work      *Block // being filled
	lag       Block  // what was dropped since the last block that got through
	lagging   bool

	cancel context.CancelFunc
	stop   <-chan struct{} // closed by cancel
	done   chan struct{}
	err    error // why run ended; read after done
}

// How long a link may be silent.
const (
	quiet     = time.Second      // before people are told
	askAgain  = time.Second      // between two calls to a silent board
	hopeless  = 10 * time.Second // before the link is closed and opened again
	firstWait = 100 * time.Millisecond
	longWait  = 5 * time.Second
	patience  = 6 * time.Second
)

func openLive(w *word, o Options) (Source, error) {
	mode, err := w.choice("mode", formatFrames, formatLines)
	if err != nil {
		return nil, err
	}
	known := []string{"mode", "pulses", "scale", "unit", "delay", "tach", "threshold", "edge", "tach_delay", "tach_angle"}
	if mode == formatLines {
		known = append(known, "channels", "rate", "time_unit")
	}
	if w.kind == "serial" {
		known = append(known, "baud")
	}
	if err := w.early(known...); err != nil {
		return nil, err
	}
	var dial dialer
	if w.kind == "serial" {
		baud, err := w.integer("baud", defaultBaud, 50, 20_000_000)
		if err != nil {
			return nil, err
		}
		dial = dialSerial(w.path, baud)
	} else {
		dial = dialTCP(w.path)
	}
	var fr framer = newWire(w)
	if mode == formatLines {
		if fr, err = newText(w); err != nil {
			return nil, err
		}
	}
	return startLive(w.path, fr, dial, o)
}

// startLive opens the port once, unless it may wait, and starts reading.
func startLive(name string, fr framer, dial dialer, o Options) (*live, error) {
	if o.Queue <= 0 {
		o.Queue = 256
	}
	if o.Patience <= 0 {
		o.Patience = patience
	}
	ctx, cancel := context.WithCancel(context.Background())
	s := &live{
		fr: fr, name: name, dial: dial, opt: o, log: o.log().With("source", name),
		out: make(chan *Block, o.Queue), free: make(chan *Block, o.Queue+2), work: new(Block),
		cancel: cancel, stop: ctx.Done(), done: make(chan struct{}), link: Link{State: Connecting},
	}
	for range o.Queue + 1 {
		s.free <- new(Block)
	}
	var p port
	if !o.Wait {
		var err error
		if p, err = dial(ctx); err != nil {
			cancel()
			return nil, err
		}
	}
	go s.run(ctx, p)
	return s, nil
}

// run owns the port. p is open already or nil.
func (s *live) run(ctx context.Context, p port) {
	defer close(s.done)
	wait := firstWait
	for opened := 0; ctx.Err() == nil; {
		var err error
		if p == nil {
			p, err = s.dial(ctx)
		}
		if err == nil {
			if opened++; opened > 1 {
				s.again()
			}
			before := s.aliveNow()
			err = s.session(ctx, p)
			p.Close()
			p = nil
			if s.aliveNow() > before {
				wait = firstWait
			}
		}
		if s.err != nil || ctx.Err() != nil {
			break
		}
		if opened == 0 {
			s.say(Down, false, fmt.Sprintf("%v; trying again", err))
		} else {
			s.say(Down, false, fmt.Sprintf("the link to %s is lost (%v): no readings until it is back; trying again, check cable and power", s.name, err))
		}
		sleep(ctx, wait)
		wait = min(2*wait, longWait)
	}
	reason := ""
	if s.err != nil {
		reason = s.err.Error()
	}
	s.say(Ended, false, reason)
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

func (s *live) aliveNow() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fr.alive()
}

// again marks the gap before what the reopened port brings.
func (s *live) again() {
	s.mu.Lock()
	s.fr.cut()
	s.clk.reset()
	s.reconnects++
	s.mu.Unlock()
	if s.opt.Tap != nil {
		s.opt.Tap(tickline.AppendMark(nil, tickline.Mark{UnixMicro: uint64(time.Now().UnixMicro())}))
	}
}

// take decodes what was read and hands finished blocks over.
func (s *live) take(p []byte, now time.Time) {
	if s.opt.Tap != nil && len(p) > 0 {
		s.opt.Tap(p)
	}
	for len(p) > 0 {
		s.mu.Lock()
		n, filled, err := s.fr.feed(p, s.work)
		p = p[n:]
		if filled {
			s.hand(now)
		}
		s.mu.Unlock()
		if err != nil {
			s.err = err
			return
		}
	}
}

// hand puts the finished block into the queue, or counts it as dropped.
func (s *live) hand(now time.Time) {
	b, c := s.work, s.fr.total()
	b.Arrived = now
	s.date(b, now)
	if s.lagging {
		b.Lost += s.lag.Lost
		b.LostEdges += s.lag.LostEdges
		if b.Gap == NoLoss {
			b.Gap = ReaderLag
		}
	}
	if s.opt.Hold {
		// Only this goroutine alters what the lock guards, and the reader may
		// need the lock for Counts or Link before it takes the block.
		s.mu.Unlock()
		defer s.mu.Lock()
		select {
		case s.out <- b:
			s.mu.Lock()
			c.deliver(b)
			s.mu.Unlock()
			s.work = <-s.free
		case <-s.stop:
		}
		return
	}
	select {
	case s.out <- b:
		c.deliver(b)
		s.lagging, s.work = false, <-s.free
	default:
		s.dropped++
		c.LostSamples += uint64(b.Len())
		c.LostEdges += uint64(len(b.Edges))
		s.lag.Lost = b.Lost + uint64(b.Len())
		s.lag.LostEdges = b.LostEdges + uint64(len(b.Edges))
		s.lagging = true
	}
}

// date compares the board's clock with the host's.
func (s *live) date(b *Block, now time.Time) {
	if b.Gap == NewSetup || b.Gap == ClockStep {
		s.clk.reset()
	}
	end := b.Tick + uint64(float64(b.Len())*b.Setup.TickHz/b.Setup.Rate)
	s.clk.add(float64(now.UnixMicro())*1e-6, end, b.Setup.TickHz)
}

// say sets the state of the link and logs a change of it.
func (s *live) say(state string, up bool, reason string) {
	s.mu.Lock()
	changed := s.link.State != state
	if changed {
		s.link.Since = time.Now()
	}
	s.link.State, s.link.Up, s.link.Reason = state, up, reason
	s.mu.Unlock()
	switch {
	case !changed:
	case state == Down || state == Silent:
		s.log.Warn("link "+state, "reason", reason)
	default:
		s.log.Info("link " + state)
	}
}

// Next waits for the next block.
func (s *live) Next(ctx context.Context) (*Block, error) {
	if s.held != nil {
		s.free <- s.held
		s.held = nil
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	select {
	case b := <-s.out:
		s.held = b
		return b, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-s.done:
	}
	select {
	case b := <-s.out:
		s.held = b
		return b, nil
	default:
		if s.err != nil {
			return nil, s.err
		}
		return nil, errClosed
	}
}

var errClosed = errors.New("the source was closed")

func (s *live) Setup() *Setup {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fr.setup()
}

func (s *live) Link() Link {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.link
}

func (s *live) Counts() Counts {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.fr.total().clone()
	c.DroppedBlocks, c.Reconnects = s.dropped, s.reconnects
	c.ClockPPM, c.ClockPPMError = s.clk.ppm, s.clk.ppmStdErr
	return c
}

// Close ends the reading goroutine and closes the port, within a fifth of a
// second.
func (s *live) Close() error {
	s.cancel()
	<-s.done
	return nil
}
