package acq

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
)

// csvClock makes an even rate of a column of times, and says how far the column
// can be believed.
type csvClock struct {
	unit    float64 // s per unit of the column
	step    float64 // s from one sample to the next
	batched bool    // the times say when rows were written, not when they were measured
	notes   []string
}

var timeUnits = map[string]float64{"s": 1, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}

// batchShare is the share of zero steps above which times are taken as batched.
// One repeated time in two hundred may be rounding; more is a queue. Our choice.
const batchShare = 0.005

var errBackwards = errors.New("time goes backwards, so the samples are in no order that could be measured; sort or cut the file")

// hole counts the instants missing between two times.
func (c *csvClock) hole(before, now float64) (uint64, error) {
	if now < before {
		return 0, errBackwards
	}
	if c.batched || c.step == 0 {
		return 0, nil
	}
	if steps := (now - before) / c.step; steps > 1.5 {
		return uint64(math.Round(steps)) - 1, nil
	}
	return 0, nil
}

// judge goes through all the times of t and sets the clock.
func (t *csvTable) judge(unit string) error {
	t.clock = csvClock{unit: timeUnits[unit]}
	var steps []float64
	first, zeros := 0.0, 0
	for n := 0; ; n++ {
		before := t.last
		_, err := t.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		if n == 0 {
			first = t.last
			continue
		}
		steps = append(steps, t.last-before)
		if t.last == before {
			zeros++
		}
	}
	span := t.last - first
	if !(span > 0) {
		return fmt.Errorf("%s: the times in column %s do not advance over %d rows, so the speed cannot be known; give rate= (samples per second) instead", t.name, t.names[t.time], len(steps)+1)
	}
	if t.clock.batched = float64(zeros) > batchShare*float64(len(steps)); t.clock.batched {
		t.clock.step = span / float64(len(steps))
		t.clock.notes = append(t.clock.notes, t.batchNote(zeros, span, slices.Max(steps), len(steps)))
		return nil
	}
	t.clock.even(steps, t.names[t.time])
	return nil
}

func (t *csvTable) batchNote(zeros int, span, longest float64, steps int) string {
	return fmt.Sprintf("the times in column %s come in batches (%.0f %% of the steps are zero, others up to %.3g ms): they say when rows were written, not when they were measured; the mean rate, %.6g samples a second (within %.2g %%), is used as if the sampling were even: amplitudes hold if it was, phase against anything else does not; record with a counter of the converter or give rate=",
		t.names[t.time], 100*float64(zeros)/float64(steps), longest*1e3, float64(steps)/span, 100*longest/span)
}

// even takes the mean of the steps that are no holes.
func (c *csvClock) even(steps []float64, name string) {
	sorted := slices.Sorted(slices.Values(steps))
	median := sorted[len(sorted)/2]
	sum, squares, n, holes := 0.0, 0.0, 0.0, 0
	for _, s := range steps {
		if s > 1.5*median {
			holes++
			continue
		}
		sum += s
		squares += (s - median) * (s - median)
		n++
	}
	c.step = sum / n
	if jitter := math.Sqrt(squares/n) / median; jitter > 0.05 {
		c.notes = append(c.notes, fmt.Sprintf("the times in column %s are uneven by %.0f %% rms of a step: samples are used as if they were even, which blurs the phase by about %.2g degrees at 25 Hz; use a timer-driven converter",
			name, 100*jitter, 360*25*jitter*median))
	}
	if holes > 0 {
		c.notes = append(c.notes, fmt.Sprintf("the times in column %s leave out samples in %d places; turns that touch them are not used", name, holes))
	}
}
