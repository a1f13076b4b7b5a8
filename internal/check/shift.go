package check

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Shift is by how much one record lags another of the same motion.
type Shift struct {
	Seconds, SE float64 // s
	Inverted    bool    // the second shows the motion upside down
}

const (
	shiftBlock  = 1024
	coherent    = 0.9    // a line of less coherence is left out
	mostSure    = 0.9999 // no line counts as surer: rounding and leakage are always there
	fewestBlock = 8
)

// shiftOf is the shift of b behind a, from the phase of their cross spectrum
// where the two are coherent; ok is false where they are nowhere. The phase of a
// line scatters by sqrt((1-c)/(2 c n)) over n blocks of coherence c (J. S. Bendat
// and A. G. Piersol, Random Data, chapter on errors of cross spectra, from
// memory), by which the lines are weighted.
func shiftOf(a, b []float32, rate float64) (s Shift, ok bool) {
	cross, coherence, blocks := crossSpectrum(a, b)
	if blocks < fewestBlock {
		return s, false
	}
	half := len(cross)
	kept := make([]complex128, half)
	for i := 2; i < half*9/10; i++ {
		if coherence[i] > coherent {
			kept[i] = cross[i] * complex(coherence[i]/cmplx.Abs(cross[i]), 0)
		}
	}
	coarse, inverted, some := peakLag(kept)
	if !some {
		return s, false
	}
	s.Inverted = inverted
	turned := 1 + 0i
	if inverted {
		turned = -1
	}
	// blocks that overlap by half, under this window, are worth 9/11 of as many
	// apart, and a line shares its scatter with its neighbours, of which it is 1.5
	// wide (P. D. Welch, IEEE Trans. AU-15, 1967, from memory)
	n := float64(blocks) * 9 / 11 / 1.5
	var sxy, sxx float64
	for i, v := range kept {
		if v == 0 {
			continue
		}
		c := min(coherence[i], mostSure)
		w := 2 * math.Pi * float64(i) * rate / shiftBlock
		phase := cmplx.Phase(v * turned * cmplx.Rect(1, w*coarse/rate))
		weight := 2 * n * c / (1 - c)
		sxy += weight * w * phase
		sxx += weight * w * w
	}
	s.Seconds, s.SE = coarse/rate-sxy/sxx, 1/math.Sqrt(sxx)
	return s, true
}

func crossSpectrum(a, b []float32) (cross []complex128, coherence []float64, blocks int) {
	fft := fourier.NewFFT(shiftBlock)
	half := shiftBlock/2 + 1
	cross, coherence = make([]complex128, half), make([]float64, half)
	pa, pb := make([]float64, half), make([]float64, half)
	fa, fb := make([]complex128, half), make([]complex128, half)
	x, y := make([]float64, shiftBlock), make([]float64, shiftBlock)
	for at := 0; at+shiftBlock <= min(len(a), len(b)); at += shiftBlock / 2 {
		fft.Coefficients(fa, windowed(x, a[at:at+shiftBlock]))
		fft.Coefficients(fb, windowed(y, b[at:at+shiftBlock]))
		for i := range cross {
			cross[i] += fb[i] * cmplx.Conj(fa[i])
			pa[i] += real(fa[i])*real(fa[i]) + imag(fa[i])*imag(fa[i])
			pb[i] += real(fb[i])*real(fb[i]) + imag(fb[i])*imag(fb[i])
		}
		blocks++
	}
	for i, c := range cross {
		if p := pa[i] * pb[i]; p > 0 {
			coherence[i] = (real(c)*real(c) + imag(c)*imag(c)) / p
		}
	}
	return cross, coherence, blocks
}

// peakLag is the lag in samples at which two records agree most, or disagree
// most where one is inverted. Of peaks that are nearly as high, as a lone tone
// has them, the one nearest to no lag is taken.
func peakLag(cross []complex128) (lag float64, inverted, ok bool) {
	r := fourier.NewFFT(shiftBlock).Sequence(nil, cross)
	most := 0.0
	for _, v := range r {
		most = max(most, math.Abs(v))
	}
	if most == 0 {
		return 0, false, false
	}
	for d := range shiftBlock / 2 {
		for _, at := range []int{d, (shiftBlock - d) % shiftBlock} {
			if math.Abs(r[at]) < 0.97*most {
				continue
			}
			if at >= shiftBlock/2 {
				at -= shiftBlock
			}
			return float64(at), r[(at+shiftBlock)%shiftBlock] < 0, true
		}
	}
	return 0, false, false
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
