package phase

import (
	"fmt"
	"math"
	"math/cmplx"
)

// A neighbouring tone delta orders away stands K delta lines from the order in
// a reading of K turns. Below closest the joint fit would trade the two against
// each other; from tapered on the taper alone rejects it.
const (
	closest  = 0.74
	tapered  = 3.0
	oneSided = 100.0 // power of a tone over that on the other side of the order
	detected = 14.0  // power of a tone over the noise: chance makes 1 in 1e4 readings look so
)

// choose sets how the turns are reduced, and why, and flags a neighbour that
// cannot be told apart.
func (a *Average) choose(r *Reading) {
	f := &a.fit
	f.near = f.near[:0]
	k := float64(a.n)
	for _, t := range a.cfg.Neighbours {
		lines := k * a.away(t)
		switch {
		case lines < closest:
			r.flag(NearTone, true, "%s at %.4g Hz is too near for %d turns: read over at least %.0f turns, or change the speed.", t.Name, t.Hz, a.n, math.Ceil(closest/a.away(t)))
		case lines < k/4 && (lines < tapered || a.cfg.Method == Joint):
			f.near = append(f.near, t)
		}
	}
	switch {
	case a.n < 4:
		f.method, f.near = Equal, f.near[:0]
		r.Why = fmt.Sprintf("equal weights, because a taper over %d turns would leave almost nothing", a.n)
	case len(f.near) > 0:
		f.method = Joint
		r.Why = fmt.Sprintf("joint fit, because %s at %.5g Hz is a neighbour", f.near[0].Name, f.near[0].Hz)
	case a.cfg.Method == Equal:
		f.method, r.Why = Equal, "equal weights as asked: least noise, no protection from neighbouring tones"
	default:
		f.method = Taper
		r.Why = fmt.Sprintf("taper over %d turns: tones %.3g orders away and more do not reach the reading", a.n, tapered/k)
	}
}

// reduce fits, and where the default was left to choose looks at what the fit
// leaves: a tone in it is removed by a second, joint fit.
func (a *Average) reduce(r *Reading) {
	f := &a.fit
	f.solve(a)
	f.view(a, r)
	if f.method == Taper && a.cfg.Method == "" && len(r.Flags) == 0 && a.n >= 16 && r.SpeedSD < unsteady*r.Speed {
		if t, channel, power, ok := f.neighbourIn(a); ok {
			f.near, f.method = append(f.near, t), Joint
			t = f.sharpen(a, channel)
			if f.standsAlone(a, t, power) {
				r.Why = fmt.Sprintf("joint fit, because a tone at %.5g Hz was found beside order %d", t.Hz, f.tones[0].order)
				r.flag(NearTone, false, "A tone at %.5g Hz stands beside running speed and was removed: if it is another machine, name it or stop it.", t.Hz)
			} else {
				f.near, f.method = f.near[:0], Taper
				f.solve(a)
			}
			f.view(a, r)
		}
	}
	r.Method = string(f.method)
}

// away is how many orders a tone is from the nearest order of the turns.
func (a *Average) away(t Tone) float64 {
	best, orders := math.Inf(1), t.Hz/a.meanHz()
	for _, n := range a.at(0).shape.orders[:a.at(0).shape.asked] {
		best = math.Min(best, math.Abs(orders-float64(n)))
	}
	return best
}

// neighbourIn looks for a tone in what the fit leaves of the first order: the
// strongest of all, if it stands between closest and tapered lines away, where
// the taper is weak. It names the channel that shows it best.
func (f *fit) neighbourIn(a *Average) (t Tone, channel int, power float64, ok bool) {
	if f.orders == 0 {
		return t, 0, 0, false
	}
	best, at := detected, 0.0 // over the noise
	for c := range f.sh.setup.Channels {
		f.residuals(a, c, f.tones[0].k)
		f.steady(f.value(c, f.tones[0].k)) // what the speed explains is no tone
		noise := f.floor()
		if !(noise > 0) {
			continue
		}
		for lines := -float64(a.n / 2); lines <= float64(a.n/2); lines += 0.5 {
			if p := f.spectral(lines); p > best*noise {
				best, at, channel, power = p/noise, lines, c, p
			}
		}
	}
	if away := math.Abs(at); away < closest || away > tapered+0.5 {
		return t, 0, 0, false
	}
	return Tone{Name: "a tone", Hz: a.meanHz() * (float64(f.tones[0].order) + at/float64(a.n))}, channel, power, true
}

// standsAlone reports whether a tone that the joint fit has just removed stood
// on one side of the order only. A vector that wanders, or one coloured by a
// resonance, stands out on both sides alike: there is nothing to remove then,
// and removing one side would leave an error that promises too much.
func (f *fit) standsAlone(a *Average, t Tone, power float64) bool {
	at := (t.Hz/a.meanHz() - float64(f.tones[0].order)) * float64(a.n)
	mirrored := 0.0
	for _, off := range [3]float64{-0.5, 0, 0.5} {
		mirrored += f.spectral(off-at) / 3
	}
	return power > oneSided*mirrored
}

// sharpen moves the frequency of the only neighbour to where the joint fit
// leaves least on a channel, and leaves that fit standing.
func (f *fit) sharpen(a *Average, channel int) Tone {
	line := a.meanHz() / float64(a.n)
	left := func(hz float64) float64 {
		f.near[0].Hz = hz
		f.solve(a)
		f.residuals(a, channel, f.tones[0].k)
		sum := 0.0
		for _, r := range f.resid {
			sum += real(r)*real(r) + imag(r)*imag(r)
		}
		return sum
	}
	hz := f.near[0].Hz
	least := left(hz)
	for step := line / 4; step > line/1000; step /= 2 {
		for _, next := range [2]float64{hz - step, hz + step} {
			if l := left(next); l < least {
				least, hz = l, next
			}
		}
	}
	left(hz)
	return f.near[0]
}

// spectral is |sum r exp(-2 pi i lines k/K)|^2 / K of the residuals.
func (f *fit) spectral(lines float64) float64 {
	step := cmplx.Rect(1, -2*math.Pi*lines/float64(len(f.resid)))
	z, w := complex128(0), complex128(1)
	for _, r := range f.resid {
		z += r * w
		w *= step
	}
	return (real(z)*real(z) + imag(z)*imag(z)) / float64(len(f.resid))
}

// floor is the mean power of the residuals far from the order, by the median,
// which a tone does not move: the median of an exponential distribution is
// ln 2 of its mean.
func (f *fit) floor() float64 {
	var p [24]float64
	for i := range p {
		lines := (0.2 + 0.6*float64(i)/float64(len(p)-1)) * float64(len(f.resid))
		p[i] = f.spectral(math.Round(lines))
	}
	return median(p[:]) / math.Ln2
}
