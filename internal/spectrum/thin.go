package spectrum

import "math"

// thinner keeps every factor-th sample after a low-pass, so that many lines
// can stand close together at low frequencies. The low-pass is a windowed sinc:
// flat to 0.1 % up to 1/2.56 of the new rate, and what would fold back into
// that range is 80 dB down.
type thinner struct {
	factor int
	taps   []float32
	hist   []float32 // newest len(taps)+chunk samples
	phase  int
}

const (
	thinTaps  = 28 // taps per output step, so that the edge is steep enough
	thinChunk = 1024
)

func newThinner(factor int) thinner {
	t := thinner{factor: factor}
	if factor == 1 {
		return t
	}
	n := thinTaps*factor + 1
	t.taps = make([]float32, n)
	cut := 0.5 / float64(factor) // of the old rate: the new Nyquist frequency
	sum, f := 0.0, make([]float64, n)
	for i := range f {
		x := float64(i) - float64(n-1)/2
		f[i] = 2 * cut
		if x != 0 {
			f[i] = math.Sin(2*math.Pi*cut*x) / (math.Pi * x)
		}
		f[i] *= kaiser(x/(float64(n-1)/2), 8)
		sum += f[i]
	}
	for i := range f {
		t.taps[i] = float32(f[i] / sum)
	}
	t.hist = make([]float32, 0, n+thinChunk)
	return t
}

// kaiser is the Kaiser window at x in -1..1.
func kaiser(x, beta float64) float64 {
	return bessel(beta*math.Sqrt(math.Max(0, 1-x*x))) / bessel(beta)
}

// bessel is I0 by its power series.
func bessel(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1; term > 1e-17*sum; k++ {
		term *= x * x / 4 / float64(k*k)
		sum += term
	}
	return sum
}

func (t *thinner) reset() {
	t.hist = t.hist[:0]
	t.phase = 0
}

// add appends the thinned samples of x to dst.
func (t *thinner) add(dst, x []float32) []float32 {
	if t.factor == 1 {
		return append(dst, x...)
	}
	for len(x) > 0 {
		take := min(len(x), cap(t.hist)-len(t.hist))
		t.hist = append(t.hist, x[:take]...)
		x = x[take:]
		at := t.phase
		for ; at+len(t.taps) <= len(t.hist); at += t.factor {
			var s float64
			for i, w := range t.taps {
				s += float64(w) * float64(t.hist[at+i])
			}
			dst = append(dst, float32(s))
		}
		drop := min(at, len(t.hist))
		t.phase = at - drop
		t.hist = t.hist[:copy(t.hist, t.hist[drop:])]
	}
	return dst
}
