package running

import (
	"math"
	"slices"
)

// figure is what one blade showed.
type figure struct {
	mid    float64 // rad since the mark, midway between its edges
	height float64 // reading there
	slope  float64 // reading per rad, growing with time
	width  float64 // rad between its edges
	hole   float64 // rad, what the widest hole between samples leaves open of an edge
}

// line is a blade between its edges: reading = at + slope (phi - mid).
type line struct{ mid, at, slope, half float64 }

const (
	innerShare = 0.75 // of the half width that belongs to the line
	rounds     = 4    // of lines and marks in turn
	jitterSD   = 3e-3 // rad, by which marks are expected to stray at most; it only restrains where slopes say little
)

// lines fits the blades' slopes and the marks' errors to each other.
func (l *laid) lines(ps []pass) (out []line, owner []int16) {
	out = make([]line, len(ps))
	spacing := 2 * math.Pi / l.perTurn
	owner = make([]int16, len(l.s))
	for i, s := range l.s {
		owner[i] = -1
		for k, p := range ps {
			if math.Abs(from(s.phi, p.mid)) < math.Max(innerShare*p.half, p.half-1.5*spacing)-jitterSD {
				owner[i] = int16(k)
			}
		}
	}
	for range rounds {
		for k, p := range ps {
			out[k] = l.line(p, int16(k), owner, -1, nil)
		}
		l.correct(out, owner)
	}
	for k, p := range ps {
		out[k] = l.line(p, int16(k), owner, -1, nil)
	}
	return out, owner
}

// line fits one blade's interior; a group of turns may be left out.
func (l *laid) line(p pass, k int16, owner []int16, group int, groups []int) line {
	var n, x, y, xx, xy float64
	for i, s := range l.s {
		if owner[i] != k || group >= 0 && groups[s.turn] == group {
			continue
		}
		d := from(l.at(s), p.mid)
		n++
		x += d
		y += s.y
		xx += d * d
		xy += d * s.y
	}
	det := n*xx - x*x
	if !(det > 0) {
		return line{p.mid, y / n, 0, p.half}
	}
	slope := (n*xy - x*y) / det
	return line{p.mid, (y - slope*x) / n, slope, p.half}
}

// correct finds how far every mark strays, from how far the samples of its
// turns stand off their blades' slopes: least squares with a restraint, between
// marks linear. The mean of all marks is left alone.
func (l *laid) correct(ls []line, owner []int16) {
	var ss, n float64
	diag, next, rhs := make([]float64, l.marks), make([]float64, l.marks), make([]float64, l.marks)
	for i, s := range l.s {
		if owner[i] < 0 {
			continue
		}
		b := ls[owner[i]]
		r := s.y - b.at - b.slope*from(l.at(s), b.mid)
		u := s.phi / (2 * math.Pi)
		a0, a1 := b.slope*(1-u), b.slope*u
		diag[s.mark] += a0 * a0
		diag[s.mark+1] += a1 * a1
		next[s.mark] += a0 * a1
		rhs[s.mark] += a0 * r
		rhs[s.mark+1] += a1 * r
		ss += r * r
		n++
	}
	if n == 0 || ss == 0 {
		return
	}
	restrain := ss / n / (jitterSD * jitterSD)
	for i := range diag {
		diag[i] += restrain
		rhs[i] -= restrain * l.late[i]
	}
	// Thomas's algorithm for the tridiagonal system.
	for i := 1; i < len(diag); i++ {
		f := next[i-1] / diag[i-1]
		diag[i] -= f * next[i-1]
		rhs[i] -= f * rhs[i-1]
	}
	mean := 0.0
	for i := len(diag) - 1; i >= 0; i-- {
		if i < len(diag)-1 {
			rhs[i] -= next[i] * rhs[i+1]
		}
		rhs[i] /= diag[i]
		l.late[i] += rhs[i]
		mean += l.late[i] / float64(l.marks)
	}
	for i := range l.late {
		l.late[i] -= mean
	}
}

// strays are what is left of each passing's shift, [turn][blade] in rad, when the
// marks are right: the speed wanders within a turn, too. It shows in how far the
// passing's samples stand off the blade's slope, and is believed as far as it is
// larger than their noise. Its mean over the turns is zero, so it moves no blade;
// it only draws the edges sharper.
func (l *laid) strays(ls []line, owner []int16) [][]float64 {
	type mean struct{ n, sum float64 }
	of := make([][]mean, l.turns)
	for t := range of {
		of[t] = make([]mean, len(ls))
	}
	var ss, all float64
	each := func(do func(m *mean, r, slope float64)) {
		for i, s := range l.s {
			if k := owner[i]; k >= 0 {
				b := ls[k]
				do(&of[s.turn][k], s.y-b.at-b.slope*from(l.at(s), b.mid), b.slope)
			}
		}
	}
	each(func(m *mean, r, _ float64) { m.n++; m.sum += r })
	var between, expected, slopes, passings float64
	each(func(m *mean, r, slope float64) { d := r - m.sum/m.n; ss += d * d; all++; slopes += slope * slope })
	for t := range of {
		for _, m := range of[t] {
			if m.n > 1 {
				between += m.sum * m.sum / (m.n * m.n)
				expected += 1 / m.n
				passings++
			}
		}
	}
	noise := ss / math.Max(1, all-passings)
	real := math.Max(0, between-noise*expected) / math.Max(1, passings) / math.Max(slopes/math.Max(1, all), 1e-300) // rad^2
	out := make([][]float64, l.turns)
	for t := range out {
		out[t] = make([]float64, len(ls))
		for k, m := range of[t] {
			if b := ls[k].slope; m.n > 1 && real > 0 {
				out[t][k] = b * m.sum / (b*b*m.n + noise/real)
			}
		}
	}
	return out
}

// covered is a sample near an edge: its angle from the blade's middle and the
// share of the spot that the blade covers.
type covered struct {
	d, q float64
	turn int
}

// near gathers the samples around both edges of a blade, by angle.
func (l *laid) near(b line, k int, strays [][]float64, reach float64) []covered {
	var out []covered
	for _, s := range l.s {
		d := from(l.at(s), b.mid) + strays[s.turn][k]
		if math.Abs(d) > b.half+reach {
			continue
		}
		blade := b.at + b.slope*d
		out = append(out, covered{d, (s.y - l.background) / (blade - l.background), s.turn})
	}
	slices.SortFunc(out, func(a, b covered) int {
		switch {
		case a.d < b.d:
			return -1
		case a.d > b.d:
			return 1
		}
		return 0
	})
	return out
}

// edges places both edges by the area under the covered share: for a profile
// that rises from 0 to 1 the area from the left end tells where the rise stands,
// whatever its shape. A group of turns may be left out.
func edges(c []covered, reach, half float64, group int, groups []int) (left, right, hole float64) {
	area := func(from, to float64) (sum, widest float64) {
		before := covered{d: math.NaN()}
		first, last := math.NaN(), 0.0
		for _, s := range c {
			if s.d < from || s.d > to || group >= 0 && groups[s.turn] == group {
				continue
			}
			if math.IsNaN(before.d) {
				first = s.d
				sum += (s.d - from) * s.q
			} else {
				gap := s.d - before.d
				sum += gap * (s.q + before.q) / 2
				widest = math.Max(widest, gap*math.Min(1, math.Abs(s.q-before.q)))
			}
			before, last = s, s.d
		}
		if math.IsNaN(first) {
			return math.NaN(), to - from
		}
		return sum + (to-last)*before.q, widest
	}
	// The area ends midway across the blade's outer quarter, where q is 1.
	inner := math.Max(half-reach, 0.2*half)
	a, h1 := area(-half-reach, -inner)
	b, h2 := area(inner, half+reach)
	return -inner - a, inner + b, math.Hypot(h1, h2) / 2 / math.Sqrt(12)
}

func (l *laid) figure(b line, c []covered, reach float64, group int, groups []int) figure {
	left, right, hole := edges(c, reach, b.half, group, groups)
	mid := (left + right) / 2
	return figure{mid: math.Mod(b.mid+mid+4*math.Pi, 2*math.Pi), height: b.at + b.slope*mid, slope: b.slope, width: right - left, hole: hole}
}

// groupsOf divides the turns into n rows in time.
func groupsOf(turns, n int) []int {
	out := make([]int, turns)
	for i := range out {
		out[i] = i * n / turns
	}
	return out
}
