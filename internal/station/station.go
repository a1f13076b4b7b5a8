package station

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
)

// publishEvery bounds how often listeners are woken while blocks flow.
const publishEvery = 100 * time.Millisecond

// Station runs one machine. Make it with New; Run does the work.
type Station struct {
	cfg StationConfig
	src acq.Source
	log *slog.Logger

	others []*Station // neighbours heard by their own tach; see Introduce

	latest  atomic.Pointer[Snapshot]
	mu      sync.Mutex // guards publishing: changed and the serial
	changed chan struct{}

	turns  turnstile
	taking sync.Mutex // one reading is taken at a time
	asks   chan *taker
	traces chan *follower

	following sync.Mutex    // one trace is followed at a time
	ended     chan struct{} // closed when Run returns
}

// New makes a station on an open source. It starts nothing.
func New(cfg StationConfig, src acq.Source, log *slog.Logger) *Station {
	return &Station{
		cfg: cfg, src: calibrate(src, cfg.Channels), log: log.With("station", cfg.Name),
		changed: make(chan struct{}), asks: make(chan *taker, 1), traces: make(chan *follower, 1), ended: make(chan struct{}),
	}
}

// Name is the station's name in paths, labels and logs.
func (s *Station) Name() string { return s.cfg.Name }

// Config is what the station was made with.
func (s *Station) Config() StationConfig { return s.cfg }

// Latest is the newest snapshot; nil before the first.
func (s *Station) Latest() *Snapshot { return s.latest.Load() }

// Wait returns the newest snapshot as soon as its serial is above after.
func (s *Station) Wait(ctx context.Context, after uint64) (*Snapshot, error) {
	for {
		s.mu.Lock()
		changed := s.changed
		s.mu.Unlock()
		if snap := s.latest.Load(); snap != nil && snap.Serial > after {
			return snap, nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// Run reads the source until ctx ends or a recording is finished; both return
// nil. It owns the source and closes it.
func (s *Station) Run(ctx context.Context) error {
	defer close(s.ended)
	ctx, stop := context.WithCancel(ctx)
	var pulse sync.WaitGroup
	pulse.Go(func() { s.pulse(ctx) })
	defer pulse.Wait()
	defer stop()
	defer s.src.Close()

	l := newLoop(s)
	for {
		b, err := s.src.Next(ctx)
		if err != nil {
			l.publish()
			if ctx.Err() != nil || errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
		l.block(b)
	}
}

// publish completes a snapshot and wakes everyone who waits.
func (s *Station) publish(fill func(*Snapshot)) {
	link, counts, setup := s.src.Link(), s.src.Counts(), s.src.Setup()
	s.mu.Lock()
	defer s.mu.Unlock()
	next := Snapshot{Station: s.cfg.Name}
	if old := s.latest.Load(); old != nil {
		next = *old
	}
	next.Serial++
	next.At = time.Now()
	next.Link, next.Counts, next.Setup = link, counts, setup
	fill(&next)
	s.latest.Store(&next)
	close(s.changed)
	s.changed = make(chan struct{})
}

// pulse keeps the state of the link fresh while no blocks come: a person who
// pulled the cable must see it within a second.
func (s *Station) pulse(ctx context.Context) {
	tick := time.NewTicker(2 * publishEvery)
	defer tick.Stop()
	var was acq.Link
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		link := s.src.Link()
		if link == was {
			continue
		}
		if link.State != was.State {
			s.log.Info("link", "state", link.State, "reason", link.Reason)
		}
		was = link
		s.publish(func(n *Snapshot) {
			if !link.Up {
				n.withhold()
			}
		})
	}
}

// withhold takes back everything that is only true while blocks flow.
func (n *Snapshot) withhold() {
	n.Motion, n.Speed, n.Accel, n.Reading, n.PhaseScatter = phase.Unknown, 0, 0, nil, nil
	n.Levels, n.Waveform, n.Spectra = nil, nil, nil
}
