package acq

import "math"

// threshold turns a sampled tach pulse into edges. The date of an edge is the
// last crossing of the level, interpolated between the two samples that
// straddle it, before the signal went on through the upper end of the
// hysteresis band; the signal must then fall through the lower end before
// another edge can count. Noise smaller than the band makes no second edge.
//
// Samples are given window by window. With an automatic level a window in which
// no pulse can be told from noise keeps the levels of the window before, and
// makes no edges if there never was one.
type threshold struct {
	auto    bool
	level   float64 // the given level; with auto the newest
	falling bool
	step    float64 // one converter step: a swing of a few is no pulse; 0 = unknown

	band   float64 // half of the hysteresis band
	ready  bool    // level and band are known
	high   bool    // the signal went through the upper end and has not come back
	known  bool    // prev holds a sample
	prev   float64 // last sample of the window before
	cross  float64 // position of the newest upward crossing, relative to the window
	mins   history
	maxs   history
	number uint64 // edges so far

	above, seen uint64 // samples above the level, and all, since it is known

	part []float32 // of a window that comes in pieces; see piece
}

// bandShare is the half hysteresis band as a share of the distance from the
// level to the nearer extreme: wide enough for a noisy pulse, narrow enough for
// an uneven one. Our choice.
const bandShare = 0.4

// window finds the edges in x and appends them to dst, their positions relative
// to x[0] and possibly negative where the crossing came before the end of the
// band was reached.
func (t *threshold) window(dst []Edge, x []float32) []Edge {
	if len(x) == 0 {
		return dst
	}
	t.learn(x)
	return t.find(dst, x)
}

// piece is window for a signal that comes in pieces too short to hold a pulse: the
// levels are learned from every n samples, the edges found at once.
func (t *threshold) piece(dst []Edge, x []float32, n int) []Edge {
	t.part = append(t.part, x...)
	if len(t.part) >= n {
		t.learn(t.part)
		t.part = t.part[:0]
	}
	return t.find(dst, x)
}

func (t *threshold) find(dst []Edge, x []float32) []Edge {
	sign := 1.0
	if t.falling {
		sign = -1
	}
	level := sign * t.level
	for i, v := range x {
		now := sign * float64(v)
		if t.ready {
			t.seen++
			if float64(v) > t.level {
				t.above++
			}
		}
		if t.known && t.ready {
			if t.prev <= level && now > level {
				t.cross = float64(i) - 1 + (level-t.prev)/(now-t.prev)
			}
			switch {
			case t.high && now < level-t.band:
				t.high, t.cross = false, math.Inf(-1)
			case !t.high && now > level+t.band:
				t.high = true
				if math.IsInf(t.cross, -1) {
					t.cross = float64(i) // the level was moved under the signal
				}
				dst = append(dst, Edge{Pos: t.cross, Number: t.number})
				t.number++
			}
		}
		t.prev, t.known = now, true
	}
	t.cross -= float64(len(x))
	return dst
}

// gap forgets the signal before a gap, but not the levels.
func (t *threshold) gap() { t.known, t.high = false, true }

// learn updates level and band from the extremes of a window.
func (t *threshold) learn(x []float32) {
	s := shapeOf(x)
	if t.auto && (!s.pulses() || s.max-s.min < 8*t.step) {
		return
	}
	t.mins.add(s.min)
	t.maxs.add(s.max)
	low, high := t.mins.median(), t.maxs.median()
	if t.auto {
		t.level = (low + high) / 2
	}
	room := min(high-t.level, t.level-low)
	if room <= 0 {
		return // the given level is never crossed
	}
	if !t.ready {
		t.high = true // a record that begins on a pulse has no edge there
	}
	t.band, t.ready = bandShare*room, true
}

// shape are the moments of a window by which a pulse train is told from noise.
type shape struct {
	min, max float64
	ends     float64 // share of samples in the outer quarters of the range
	kurtosis float64
}

// pulses says whether the window can hold tach pulses. A pulse train spends its
// time near its ends (square, sine, narrow one-sided pulse) or has rare large
// excursions both ways (magnetic pick-up, kurtosis far over 6); Gaussian noise
// does neither: 5 % of it lie in the outer quarters, and its kurtosis is 3.
func (s shape) pulses() bool {
	return s.max > s.min && (s.ends >= 0.3 || s.kurtosis > 6)
}

func shapeOf(x []float32) shape {
	s := shape{min: float64(x[0]), max: float64(x[0])}
	sum := 0.0
	for _, v := range x {
		v := float64(v)
		s.min, s.max = min(s.min, v), max(s.max, v)
		sum += v
	}
	n, mean, quarter := float64(len(x)), sum/float64(len(x)), (s.max-s.min)/4
	m2, m4, ends := 0.0, 0.0, 0
	for _, v := range x {
		v := float64(v)
		d := (v - mean) * (v - mean)
		m2 += d
		m4 += d * d
		if v < s.min+quarter || v > s.max-quarter {
			ends++
		}
	}
	s.ends = float64(ends) / n
	if m2 > 0 {
		s.kurtosis = n * m4 / (m2 * m2)
	}
	return s
}

// history is the median of the last few values: one window with a spike, or
// without a pulse, does not move it.
type history struct {
	v [5]float64
	n int
}

func (h *history) add(x float64) {
	h.v[h.n%len(h.v)] = x
	h.n++
}

func (h *history) median() float64 {
	s := h.v
	k := min(h.n, len(s))
	for i := 1; i < k; i++ {
		for j := i; j > 0 && s[j] < s[j-1]; j-- {
			s[j], s[j-1] = s[j-1], s[j]
		}
	}
	if k%2 == 0 && k > 0 {
		return (s[k/2-1] + s[k/2]) / 2
	}
	return s[k/2]
}
