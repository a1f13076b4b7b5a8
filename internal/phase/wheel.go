package phase

import "math"

// wheel is the ring of marks on the shaft: one mark, or several whose spacing
// is learned while the rotor turns. Zero is the mark after the widest spacing;
// where all are alike no mark can be told from another, and the phase is the
// phase against any of them.
type wheel struct {
	shareOf []float64 // of a turn from mark i to the next; one mark: 1
	learned bool
	alike   bool // no spacing stands out
	at      int  // index of the newest mark seen
	seen    []float64
}

// maxMarks bounds the marks of a turn: more no source may name (package acq).
const maxMarks = 1000

func newWheel(pulses int) wheel {
	pulses = max(1, min(pulses, maxMarks))
	w := wheel{shareOf: make([]float64, pulses), seen: make([]float64, 0, pulses+1)}
	for i := range w.shareOf {
		w.shareOf[i] = 1 / float64(pulses)
	}
	w.learned = pulses == 1
	return w
}

func (w *wheel) marks() int { return len(w.shareOf) }

func (w *wheel) known() bool { return w.learned }

// lose forgets which mark is which; the spacing itself is learned anew, too.
func (w *wheel) lose() { w.learned = w.marks() == 1 }

// share is the share of a turn that follows the newest mark but i.
func (w *wheel) share(i int) float64 { return w.shareOf[(w.at+i)%w.marks()] }

// pos is where the newest mark in rhythm was seen, begin where the turn began.
func (w *wheel) pos() float64 { return w.seen[len(w.seen)-1] }
func (w *wheel) begin() float64 {
	if len(w.seen) == 0 {
		return 0
	}
	return w.seen[0]
}

func (w *wheel) start(pos float64) { w.seen = append(w.seen[:0], pos) }

func (w *wheel) shift(by float64) {
	for i := range w.seen {
		w.seen[i] -= by
	}
}

// advance moves on by a mark, seen at pos, and reports whether it is zero.
func (w *wheel) advance(pos float64) (zero bool) {
	w.at = (w.at + 1) % w.marks()
	if len(w.seen) < cap(w.seen) {
		w.seen = append(w.seen, pos)
	} else {
		w.seen[len(w.seen)-1] = pos
	}
	return w.at == 0
}

// missed is how many marks on an edge is that came d turns after the newest
// one; ok is false where no number of marks explains it.
func (w *wheel) missed(d, tolerance float64) (k int, ok bool) {
	const most = 1000
	sum, p := 0.0, 1/float64(w.marks())
	if d > 4 { // whole turns first
		whole := int(math.Min(d-2, most))
		k, sum = whole*w.marks(), float64(whole)
	}
	for k < 2*most*w.marks() {
		sum += w.share(k)
		k++
		if sum >= d-tolerance*p {
			return k, math.Abs(sum-d) <= tolerance*p
		}
		if sum > most {
			break
		}
	}
	return k, false
}

// anchors lists the marks of the turn that ends at pos, thinned out to the
// number of sectors.
func (w *wheel) anchors(dst []anchor, pos float64) []anchor {
	step := (w.marks() + maxSectors - 1) / maxSectors
	angle := 0.0
	for i := range w.marks() {
		if i%step == 0 {
			dst = append(dst, anchor{w.seen[i], angle})
		}
		angle += 2 * math.Pi * w.shareOf[i]
	}
	return append(dst, anchor{pos, 2 * math.Pi})
}

// learn measures the spacing over the waiting edges and finds zero. The first
// waiting edge gets its index.
func (w *wheel) learn(q *queue) {
	p := w.marks()
	if p == 1 {
		return
	}
	w.at, w.learned = 0, false
	rounds := (q.len() - 1) / p
	if rounds < 2 {
		return
	}
	// A share is the mean over the rounds of its interval over the turn around it.
	sum, sq := make([]float64, p), make([]float64, p)
	for r := range rounds {
		turn := q.at((r+1)*p).pos - q.at(r*p).pos
		for i := range p {
			if q.at(r*p + i + 1).lost {
				return
			}
			s := (q.at(r*p+i+1).pos - q.at(r*p+i).pos) / turn
			sum[i] += s
			sq[i] += s * s
		}
	}
	total, noise := 0.0, 0.0
	for i := range sum {
		sum[i] /= float64(rounds)
		noise = math.Max(noise, math.Sqrt(math.Max(0, sq[i]/float64(rounds)-sum[i]*sum[i])))
		total += sum[i]
	}
	if noise > tolerance/float64(p) { // a missing or an extra edge among them
		return
	}
	w.zero(sum, total, noise)
}

// zero turns the learned shares so that they begin after the widest.
func (w *wheel) zero(sum []float64, total, noise float64) {
	p := len(sum)
	widest, second := 0, -1
	for i := range sum {
		if sum[i] > sum[widest] {
			widest = i
		}
	}
	for i := range sum {
		if i != widest && (second < 0 || sum[i] > sum[second]) {
			second = i
		}
	}
	w.alike = sum[widest]-sum[second] < math.Max(3*noise, 0.02/float64(p))
	if w.alike {
		widest = p - 1
	}
	for i := range sum {
		w.shareOf[i] = sum[(widest+1+i)%p] / total
	}
	w.at = (p - 1 - widest) % p // the first edge has this index
	w.learned = true
}
