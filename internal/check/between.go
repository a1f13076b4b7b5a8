package check

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// skew compares channels that see the same motion: the slope of the phase
// between them over frequency is a time.
func (x *Examiner) skew(p *Page, rec [][]float32, omega float64) {
	if !x.m.SamePoint {
		p.add("skew", "channels", Open, math.NaN(), "us", "The delay between channels was not measured; what the board states is used.",
			"Put all sensors on one point, or loop the test pin to all inputs, and check again with --same-point.")
		return
	}
	for c := 1; c < len(rec); c++ {
		name := x.setup.Channels[c].Name
		seen, ok := lag(rec[0], rec[c], x.setup.Rate)
		if !ok {
			p.add("skew", name, Unfit, math.NaN(), "us", fmt.Sprintf("%s does not show what %s shows.", name, x.setup.Channels[0].Name), "Are both at the same point, in the same direction, both alive?")
			continue
		}
		extra := seen - (x.setup.Channels[c].Delay - x.setup.Channels[0].Delay)
		p.add("skew", name, worse(math.Abs(extra), skewNote, math.Inf(1)), extra*1e6, "us",
			fmt.Sprintf("Lags %s by %.1f us more than the board states, %.2f degrees at 1x.", x.setup.Channels[0].Name, extra*1e6, extra*omega*180/math.Pi),
			fmt.Sprintf("Add it: delay.%s= in the SOURCE word (seconds, the whole lag), or delay_us of the channel in station.toml.", name))
	}
}

const skewBlock = 1024

// lag is the time in s by which b lags a, from blocks of their cross spectrum,
// where the two are coherent. ok is false where they are nowhere.
func lag(a, b []float32, rate float64) (seconds float64, ok bool) {
	fft := fourier.NewFFT(skewBlock)
	half := skewBlock/2 + 1
	cross, pa, pb := make([]complex128, half), make([]float64, half), make([]float64, half)
	fa, fb := make([]complex128, half), make([]complex128, half)
	x, y := make([]float64, skewBlock), make([]float64, skewBlock)
	blocks := 0
	for at := 0; at+skewBlock <= min(len(a), len(b)); at += skewBlock / 2 {
		fft.Coefficients(fa, windowed(x, a[at:at+skewBlock]))
		fft.Coefficients(fb, windowed(y, b[at:at+skewBlock]))
		for i := range cross {
			cross[i] += fb[i] * cmplx.Conj(fa[i])
			pa[i] += real(fa[i])*real(fa[i]) + imag(fa[i])*imag(fa[i])
			pb[i] += real(fb[i])*real(fb[i]) + imag(fb[i])*imag(fb[i])
		}
		blocks++
	}
	if blocks < 8 {
		return 0, false
	}
	var sxy, sxx float64
	for i := 2; i < half*9/10; i++ {
		coherence := (real(cross[i])*real(cross[i]) + imag(cross[i])*imag(cross[i])) / (pa[i] * pb[i])
		if !(coherence > 0.9) {
			continue
		}
		w := 2 * math.Pi * float64(i) * rate / skewBlock
		weight := cmplx.Abs(cross[i]) * coherence / (1 - min(coherence, 0.9999))
		sxy += weight * w * cmplx.Phase(cross[i])
		sxx += weight * w * w
	}
	if sxx == 0 {
		return 0, false
	}
	return -sxy / sxx, true
}

// windowed copies s without its mean under a Hann window.
func windowed(to []float64, s []float32) []float64 {
	mean := 0.0
	for _, v := range s {
		mean += float64(v) / float64(len(s))
	}
	for i, v := range s {
		to[i] = (float64(v) - mean) * (0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(len(s))))
	}
	return to
}

// struck is the crest factor from which a record holds a blow: noise reaches 5
// in 100,000 samples, a sine 1.4.
const struck = 6

// tapped tells whether the blow came where it should: on the channel whose
// highest sample stands out most from its own rms, however much it vibrates.
func (x *Examiner) tapped(p *Page, rec [][]float32) {
	best, most := "", 0.0
	known := false
	for i, s := range rec {
		name := x.setup.Channels[i].Name
		known = known || name == x.m.Tapped
		v, ok := look(x.setup.Channels[i], s, x.setup.Rate)
		if !ok {
			continue
		}
		peak := 0.0
		for _, k := range s {
			peak = max(peak, math.Abs(float64(k)-v.mean)/v.rms)
		}
		if peak > most {
			best, most = name, peak
		}
	}
	switch {
	case !known:
		p.add("tap", x.m.Tapped, Unfit, math.NaN(), "", fmt.Sprintf("There is no channel %q.", x.m.Tapped), "Use the names of this page.")
	case !(most >= struck):
		p.add("tap", x.m.Tapped, Open, most, "", "No tap stands out on any channel.", "Tap with something hard, a few times, while the rotor stands still.")
	case best != x.m.Tapped:
		p.add("tap", x.m.Tapped, Unfit, math.NaN(), "", fmt.Sprintf("The tap on %s arrived on %s: the channels are swapped.", x.m.Tapped, best), "Swap the two plugs, or the names.")
	default:
		p.add("tap", x.m.Tapped, OK, most, "", fmt.Sprintf("The tap on %s arrived there.", best), "")
	}
}
