package acq

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
)

// learn finds the rate in the first rows and makes the set-up.
func (t *text) learn() error {
	rate, err := t.word.number("rate", 0, 1e-3, 1e6)
	if err != nil {
		return err
	}
	var steps []float64
	zeros := 0
	for i := 1; i < len(t.rows); i++ {
		s := t.rows[i].time - t.rows[i-1].time
		steps = append(steps, s)
		if s <= 0 {
			zeros++
		}
	}
	median := median(steps)
	if zeros*50 > len(steps) || median <= 0 && rate == 0 {
		return errors.New("the times of the lines come in batches or do not advance: they say when lines were printed, not when samples were taken, so neither speed nor phase can be known; print the time that was read right beside each conversion")
	}
	if t.step = median; rate > 0 {
		t.step = 1 / rate
	} else if n, sum := 0, 0.0; true { // the mean of the steps that are no holes
		for _, s := range steps {
			if s < 1.5*median {
				n, sum = n+1, sum+s
			}
		}
		t.step = sum / float64(n)
	}
	t.size = max(1, int(1/t.step/blockParts))
	return t.describe(steps)
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	return slices.Sorted(slices.Values(x))[len(x)/2]
}

// describe makes the set-up from the options and what was learned.
func (t *text) describe(steps []float64) error {
	names := []string{"time"}
	if v, ok := t.word.take("channels"); ok {
		names = append(names, slices.Collect(splitList(v))...)
	}
	for i := len(names); i < t.columns; i++ {
		names = append(names, strconv.Itoa(i))
	}
	names = names[:t.columns]
	if v, ok := t.word.take("tach"); ok {
		c, err := column(t.word, names, v)
		if err != nil {
			return err
		}
		t.tach = c - 1
		t.size = max(t.size, int(windowSeconds/t.step))
	}
	pulses, err := t.word.integer("pulses", 1, 1, 1000)
	if err != nil {
		return err
	}
	su := &Setup{
		Source: t.word.full, Rate: round(1 / t.step), TickHz: textHz,
		HasTach: t.seen || t.tach >= 0, PulsesPerTurn: pulses, Notes: t.jitter(steps),
	}
	for c := 1; c < t.columns; c++ {
		if c-1 == t.tach {
			continue
		}
		a, err := t.word.adjustment(names[c], strconv.Itoa(c))
		if err != nil {
			return err
		}
		t.picks = append(t.picks, c-1)
		su.Channels = append(su.Channels, a.apply(Channel{Name: names[c], Scale: 1}))
	}
	if t.thresh, err = t.word.threshold(); err != nil {
		return err
	}
	if err := t.word.mark(su); err != nil {
		return err
	}
	if err := t.word.done(); err != nil {
		return err
	}
	t.su = su
	return nil
}

// jitter says what the unevenness of the times costs.
func (t *text) jitter(steps []float64) []string {
	sum, n := 0.0, 0.0
	for _, s := range steps {
		if s < 1.5*t.step {
			sum += (s - t.step) * (s - t.step)
			n++
		}
	}
	rms := math.Sqrt(sum / max(n, 1) / 2) // a step holds the jitter of two times
	if rms < 0.02*t.step {
		return nil
	}
	return []string{fmt.Sprintf("the times of the lines stray by %.3g us rms from an even grid, about %.2g degrees at 25 Hz in every sample: take the time in a timer interrupt, or use frames", rms*1e6, 360*25*rms)}
}

// emit makes a block of the rows that wait, when there are enough.
func (t *text) emit(b *Block) bool {
	if t.su == nil {
		if len(t.rows) < learnRows && !(t.ended && len(t.rows) > 1) {
			return false
		}
		if t.err = t.learn(); t.err != nil {
			return false
		}
	}
	gap, lost := t.startOf()
	n := t.run()
	if n == 0 || n < t.size && n == len(t.rows) && !t.ended {
		return false
	}
	t.fill(b, n, gap, lost)
	return true
}

// startOf says how the first waiting row follows the row before it.
func (t *text) startOf() (gap Loss, lost uint64) {
	if len(t.rows) == 0 || !t.began {
		return t.pending, 0
	}
	r := t.rows[0]
	off := (r.time - t.grid) / t.step
	switch {
	case t.pending != NoLoss:
		return t.pending, uint64(max(0, math.Round(off)))
	case r.fresh:
		return NewSetup, 0
	case math.Abs(off) > 0.25:
		return ClockStep, uint64(max(0, math.Round(off)))
	}
	return NoLoss, 0
}

// run is how many waiting rows, at most a block, lie on one grid.
func (t *text) run() int {
	if len(t.rows) == 0 {
		return 0
	}
	at := t.rows[0].time
	for i := range min(len(t.rows), t.size) {
		r := t.rows[i]
		off := r.time - at
		if i > 0 && (r.fresh || math.Abs(off) > t.step/4) {
			return i
		}
		at += gridPull*off + t.step
	}
	return min(len(t.rows), t.size)
}

func (t *text) fill(b *Block, n int, gap Loss, lost uint64) {
	if gap != NoLoss || !t.began {
		t.grid = t.rows[0].time
		t.thresh.gap()
	}
	t.sample += lost
	t.counts.LostSamples += lost
	start := t.grid + gridPull*(t.rows[0].time-t.grid)
	b.Setup, b.Sample, b.Tick = t.su, t.sample, uint64(math.Round(start*textHz))
	b.Gap, b.Lost, b.LostEdges, b.Edges = gap, lost, t.lostEdges, b.Edges[:0]
	b.Samples = slices.Grow(b.Samples[:0], len(t.picks))[:len(t.picks)]
	t.tachBuf = t.tachBuf[:0]
	for ch, c := range t.picks {
		b.Samples[ch] = b.Samples[ch][:0]
		for _, r := range t.rows[:n] {
			b.Samples[ch] = append(b.Samples[ch], float32(r.values[c]*t.su.Channels[ch].Scale))
		}
	}
	for _, r := range t.rows[:n] {
		t.grid += gridPull*(r.time-t.grid) + t.step
		if t.tach >= 0 {
			t.tachBuf = append(t.tachBuf, float32(r.values[t.tach]))
		}
	}
	if t.tach >= 0 {
		b.Edges = t.thresh.window(b.Edges, t.tachBuf)
	}
	perSample := textHz / t.su.Rate
	for _, e := range t.edges {
		b.Edges = append(b.Edges, Edge{Pos: float64(e.tick-int64(b.Tick)) / perSample, Number: e.number})
	}
	t.edges, t.lostEdges, t.pending, t.began = t.edges[:0], 0, NoLoss, true
	t.rows = slices.Delete(t.rows, 0, n)
	t.sample += uint64(n)
}
