package acq

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"sync"
)

// table is a file of numbers: columns sampled together at an even rate.
type table interface {
	columns() []string
	// read fills dst[column] with up to len(dst[0]) instants. hole is the number
	// of instants missing before the first of them; a read never spans a hole.
	// The end is io.EOF, with n = 0.
	read(dst [][]float32) (n int, hole uint64, err error)
	bytes() uint64
	io.Closer
}

// tableInfo is what a table knows of itself.
type tableInfo struct {
	rate      float64
	fullScale float64 // of every column; 0 = unknown
	step      float64 // one converter step; 0 = unknown
	notes     []string
}

// sampled is a Source over a table: the wanted columns become channels, the
// tach column becomes edges.
type sampled struct {
	mu     sync.Mutex
	counts Counts
	link   Link

	table  table
	setup  *Setup
	picks  []int // column of each channel
	tach   int   // column of the tach pulse, -1 = none
	thresh threshold
	raw    [][]float32
	block  Block
	sample uint64
	err    error
}

// window is how much signal is looked at together for an automatic tach level.
const windowSeconds = 1

// newSampled reads the options that all tables share: channels, tach,
// threshold, edge, pulses, scale, unit, delay. skip are columns that are no
// channels (time).
func newSampled(w *word, t table, info tableInfo, skip ...int) (*sampled, error) {
	s := &sampled{table: t, tach: -1, link: Link{State: Running, Up: true}}
	names := t.columns()
	if v, ok := w.take("tach"); ok {
		c, err := column(w, names, v)
		if err != nil {
			return nil, err
		}
		s.tach = c
	}
	if err := s.pick(w, names, skip); err != nil {
		return nil, err
	}
	pulses, err := w.integer("pulses", 1, 1, 1000)
	if err != nil {
		return nil, err
	}
	s.setup = &Setup{
		Source: w.full, Rate: info.rate, TickHz: info.rate, HasTach: s.tach >= 0, PulsesPerTurn: pulses, Notes: info.notes,
	}
	if len(info.notes) > 0 {
		s.link.Reason = info.notes[0]
	}
	for _, c := range s.picks {
		a, err := w.adjustment(names[c], strconv.Itoa(c))
		if err != nil {
			return nil, err
		}
		s.setup.Channels = append(s.setup.Channels, a.apply(Channel{Name: names[c], Scale: 1, FullScale: info.fullScale, Step: info.step}))
	}
	if err := s.tachOptions(w, names, info); err != nil {
		return nil, err
	}
	if err := w.done(); err != nil {
		return nil, err
	}
	s.buffers(len(names))
	return s, nil
}

func (s *sampled) pick(w *word, names []string, skip []int) error {
	v, ok := w.take("channels")
	if ok {
		for name := range splitList(v) {
			c, err := column(w, names, name)
			if err != nil {
				return err
			}
			s.picks = append(s.picks, c)
		}
		return nil
	}
	for c := range names {
		if c != s.tach && !slices.Contains(skip, c) {
			s.picks = append(s.picks, c)
		}
	}
	return nil
}

// threshold reads &threshold=auto|VALUE and &edge=rising|falling.
func (w *word) threshold() (t threshold, err error) {
	edge, err := w.choice("edge", "rising", "falling")
	if err != nil {
		return t, err
	}
	t = threshold{auto: w.text("threshold", "auto") == "auto", falling: edge == "falling"}
	if !t.auto {
		t.level, err = w.number("threshold", 0, -math.MaxFloat32, math.MaxFloat32)
	}
	return t, err
}

// tachOptions reads threshold, edge and the delay of the tach column.
func (s *sampled) tachOptions(w *word, names []string, info tableInfo) error {
	var err error
	if s.thresh, err = w.threshold(); err != nil {
		return err
	}
	s.thresh.step = info.step
	if s.tach < 0 {
		return nil
	}
	for _, key := range []string{"delay." + names[s.tach], "delay." + strconv.Itoa(s.tach)} {
		if s.setup.TachDelay, err = w.number(key, s.setup.TachDelay, -10, 10); err != nil {
			return err
		}
	}
	return w.mark(s.setup)
}

func (s *sampled) buffers(columns int) {
	n := min(max(int(s.setup.Rate*windowSeconds), 16), max(16, 1<<20/columns))
	flat := make([]float32, n*columns)
	for c := range columns {
		s.raw = append(s.raw, flat[c*n:(c+1)*n:(c+1)*n])
	}
	out := make([]float32, n*len(s.picks))
	for c := range s.picks {
		s.block.Samples = append(s.block.Samples, out[c*n:(c+1)*n:(c+1)*n])
	}
	s.block.Setup = s.setup
}

// column finds a column by name or, failing that, by zero-based number.
func column(w *word, names []string, v string) (int, error) {
	if i := slices.Index(names, v); i >= 0 {
		return i, nil
	}
	if i, err := strconv.Atoi(v); err == nil && i >= 0 && i < len(names) {
		return i, nil
	}
	return 0, fmt.Errorf("source %q has no column %q: it has %s, or write a number from 0 to %d", w.full, v, quoted(names), len(names)-1)
}

func (s *sampled) Next(ctx context.Context) (*Block, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if s.err != nil {
		return nil, s.err
	}
	n, hole, err := s.table.read(s.raw)
	if err != nil {
		if ctx.Err() != nil {
			err = ctx.Err()
		}
		return nil, s.end(err)
	}
	b := &s.block
	b.Gap, b.Lost, b.Edges = NoLoss, 0, b.Edges[:0]
	if hole > 0 {
		b.Gap, b.Lost = ClockStep, hole
		s.thresh.gap()
	}
	s.sample += hole
	b.Sample, b.Tick = s.sample, s.sample
	s.sample += uint64(n)
	for i, c := range s.picks {
		b.Samples[i] = b.Samples[i][:n]
		scaleInto(b.Samples[i], s.raw[c][:n], s.setup.Channels[i].Scale)
	}
	if s.tach >= 0 {
		b.Edges = s.thresh.window(b.Edges, s.raw[s.tach][:n])
	}
	s.count(b, n)
	return b, nil
}

func scaleInto(dst, src []float32, scale float64) {
	for i, v := range src {
		dst[i] = float32(float64(v) * scale)
	}
}

func (s *sampled) count(b *Block, n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.counts.Bytes = s.table.bytes()
	s.counts.Samples += uint64(n)
	s.counts.LostSamples += b.Lost
	s.counts.Edges += uint64(len(b.Edges))
	if b.Gap != NoLoss {
		if s.counts.Gaps == nil {
			s.counts.Gaps = map[string]uint64{}
		}
		s.counts.Gaps[b.Gap.String()]++
	}
}

func (s *sampled) end(err error) error {
	s.err = err
	s.mu.Lock()
	defer s.mu.Unlock()
	s.link.State, s.link.Up = Ended, false
	if !errors.Is(err, io.EOF) {
		s.link.Reason = err.Error()
	}
	return err
}

func (s *sampled) Setup() *Setup { return s.setup }

func (s *sampled) Link() Link {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.link
}

func (s *sampled) Counts() Counts {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.counts.clone()
}

func (s *sampled) Close() error {
	s.end(io.EOF)
	return s.table.Close()
}
