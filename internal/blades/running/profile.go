package running

import (
	"fmt"
	"math"
	"slices"

	"counterpoise/internal/rotor"
)

// sample is one reading laid over the turn.
type sample struct {
	phi  float64 // rad since the mark, 0 to 2 pi
	y    float64 // m (or raw), + as the channel grows
	mark int     // of the turn's beginning; the next mark ends it
	turn int
}

// laid are all samples of the turns, by rotor angle.
type laid struct {
	s                 []sample
	marks             int
	turns             int
	perTurn           float64 // samples
	speed             float64 // rad/s, mean
	background, level float64
	onIsLow           bool
	late              []float64 // [mark] rad that the mark's angle is off, as far as the slopes tell
}

// lay puts every sample of the turns at its angle.
func (t *Track) lay() *laid {
	l := &laid{turns: len(t.kept)}
	delay := t.setup.Channels[t.cfg.Channel].Delay
	total, end := 0.0, math.NaN()
	for k, u := range t.kept {
		if !(math.Abs(u.at-end) < 0.01*u.seconds) {
			l.marks++ // a new row of turns: its first mark
		}
		end = u.at + u.seconds
		total += u.seconds
		w := 2*math.Pi/u.seconds - u.accel*u.seconds/2
		for _, p := range t.parts {
			from := int(math.Ceil((u.at + delay - p.at) * t.setup.Rate))
			to := int(math.Ceil((end + delay - p.at) * t.setup.Rate))
			for i := max(0, from); i < min(to, len(p.x)); i++ {
				s := p.at + float64(i)/t.setup.Rate - delay - u.at
				l.s = append(l.s, sample{phi: w*s + u.accel*s*s/2, y: float64(p.x[i]), mark: l.marks - 1, turn: k})
			}
		}
		l.marks++
	}
	l.perTurn = float64(len(l.s)) / float64(len(t.kept))
	l.speed = 2 * math.Pi * float64(len(t.kept)) / total
	l.late = make([]float64, l.marks)
	return l
}

// at is a sample's angle with what is known of its marks taken out.
func (l *laid) at(s sample) float64 {
	u := s.phi / (2 * math.Pi)
	return s.phi + (1-u)*l.late[s.mark] + u*l.late[s.mark+1]
}

// split finds the level between blade and gap (Otsu's threshold: IEEE Trans.
// SMC 9(1), 1979; from memory) and which side is the gap: the narrower heap, for
// beyond its range a sensor shows one value, and blades slope.
func (l *laid) split() error {
	ys := make([]float64, len(l.s))
	for i, s := range l.s {
		ys[i] = s.y
	}
	slices.Sort(ys)
	low, high := ys[len(ys)/200], ys[len(ys)-1-len(ys)/200]
	if !(high > low) {
		return fmt.Errorf("the distance sensor shows one constant value, so no blade passes before it: look at its cable, supply and aim")
	}
	n := float64(len(ys))
	var sum, sq float64
	prefix, prefixSq := make([]float64, len(ys)+1), make([]float64, len(ys)+1)
	for i, y := range ys {
		sum += y
		sq += y * y
		prefix[i+1], prefixSq[i+1] = sum, sq
	}
	best, cut := 0.0, 0
	for i := len(ys) / 50; i < len(ys)-len(ys)/50; i += 1 + len(ys)/4000 {
		a := float64(i)
		m1, m2 := prefix[i]/a, (sum-prefix[i])/(n-a)
		if v := a / n * (1 - a/n) * (m2 - m1) * (m2 - m1); v > best {
			best, cut = v, i
		}
	}
	if cut == 0 {
		return fmt.Errorf("the distance sensor sees no gaps between blades: aim it where blades and gaps pass in turn")
	}
	a := float64(cut)
	m1, m2 := prefix[cut]/a, (sum-prefix[cut])/(n-a)
	v1, v2 := prefixSq[cut]/a-m1*m1, (sq-prefixSq[cut])/(n-a)-m2*m2
	if m2-m1 < 3*math.Sqrt(math.Min(v1, v2)) {
		return fmt.Errorf("blades and gaps cannot be told apart in the distance sensor's reading: aim it nearer to the tips, or bring it closer")
	}
	l.onIsLow = v2 <= v1
	if l.onIsLow {
		l.background = ys[(cut+len(ys))/2]
	} else {
		l.background = ys[cut/2]
	}
	// Midway between the gap and the blade's nearest reading would favour one
	// edge of a sloping blade; the cut itself does not.
	l.level = (ys[cut-1] + ys[cut]) / 2
	return nil
}

func (l *laid) on(y float64) bool { return y < l.level == l.onIsLow }

// pass is one blade going by.
type pass struct {
	mid, half float64 // rad since the mark
}

// passes finds the blades in the share of samples that are on one, angle by angle.
func (l *laid) passes() ([]pass, error) {
	bins := int(math.Max(90, math.Min(2048, float64(len(l.s))/8)))
	on, all := make([]float64, bins), make([]float64, bins)
	for _, s := range l.s {
		i := min(bins-1, max(0, int(s.phi/(2*math.Pi)*float64(bins))))
		all[i]++
		if l.on(s.y) {
			on[i]++
		}
	}
	share, clear, empty := make([]float64, bins), 0, 0
	for i := range share {
		if all[i] == 0 {
			empty++
			if share[i] = 0; i > 0 {
				share[i] = share[i-1]
			}
			continue
		}
		share[i] = on[i] / all[i]
		if share[i] < 0.15 || share[i] > 0.85 {
			clear++
		}
	}
	if empty > bins/4 {
		return nil, fmt.Errorf("the samples fall on the same places of every turn, as under a strobe: change the sampling rate or the speed a little, or record longer")
	}
	if clear < (bins-empty)/2 {
		return nil, fmt.Errorf("the blades do not come at the same places after the mark: the mark is not on the fan's shaft, or its edges are not clean; put it on the shaft that carries the blades")
	}
	var out []pass
	start := slices.IndexFunc(share, func(v float64) bool { return v < 0.5 })
	if start < 0 {
		return nil, fmt.Errorf("the distance sensor sees no gaps between blades: aim it where blades and gaps pass in turn")
	}
	width := 2 * math.Pi / float64(bins)
	for i := 0; i < bins; i++ {
		if share[(start+i)%bins] < 0.5 {
			continue
		}
		from := i
		for i < bins && share[(start+i)%bins] >= 0.5 {
			i++
		}
		mid := (float64(start) + float64(from+i)/2) * width
		out = append(out, pass{math.Mod(mid, 2*math.Pi), float64(i-from) / 2 * width})
	}
	slices.SortFunc(out, func(a, b pass) int { return int(math.Copysign(1, a.mid-b.mid)) })
	out = whole(out)
	if len(out) < 2 {
		return nil, fmt.Errorf("only %d blade passes the distance sensor in a turn: aim it where all blades pass", len(out))
	}
	return out, nil
}

// whole leaves out slivers that are no blade.
func whole(ps []pass) []pass {
	if len(ps) == 0 {
		return nil
	}
	w := make([]float64, len(ps))
	for i, p := range ps {
		w[i] = p.half
	}
	slices.Sort(w)
	return slices.DeleteFunc(slices.Clone(ps), func(p pass) bool { return p.half < 0.3*w[len(w)/2] })
}

// from is the angle of a sample from a pass's middle.
func from(phi, mid float64) float64 { return rotor.WrapRadians(phi - mid) }
