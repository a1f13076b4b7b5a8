package spectrum

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"

	"counterpoise/internal/rotor"
)

// The measuring band of broad-band vibration. ISO 2954 has it 10 Hz to 1,000 Hz
// (lower edge 2 Hz for machines below 600 r/min), limited by third-order
// Butterworth filters. The filters here cut at edgeShare times the lower and
// 1/edgeShare times the upper nominal edge, which makes the gain 0.844 at both
// nominal edges and so keeps inside the relative sensitivity of 0.8 to 1.1 that
// the edition of 1975 allows there (from memory); filters that cut at the
// nominal edges themselves would read 0.707.
const (
	edgeShare  = 0.86
	lowEdge    = 10.0
	slowEdge   = 2.0
	highEdge   = 1000.0
	slowRPM    = 600.0
	correctors = 6 // pairs of taps of the corrector
	fitPoints  = 200
	looseFit   = 5e-4 // weight of the fit above the band
)

// band integrates and limits one channel. The filter is bilinear; what that
// gets wrong towards half the sampling rate a short symmetric corrector puts
// right: its taps are fitted to the analog magnitude over the band.
type band struct {
	sections [4]section
	n        int
	taps     [correctors + 1]float64 // middle, then pairs outwards
	past     [2*correctors + 1]float64
	at       int
}

// sectionsFor are the analog sections that turn quantity from into to inside
// low..high Hz. high 0 leaves the upper limit out.
func sectionsFor(from, to rotor.Quantity, low, high float64) []analog {
	w1, w2 := 2*math.Pi*low*edgeShare, 2*math.Pi*high/edgeShare
	integrations := int(to) - int(from)
	// high-pass s^3/((s+w1)(s^2+w1 s+w1^2)); every integration takes one s away
	one := analog{n1: 1, d0: w1, d1: 1}
	two := analog{n2: 1, d0: w1 * w1, d1: w1, d2: 1}
	lp2 := analog{n0: w2 * w2, d0: w2 * w2, d1: w2, d2: 1}
	switch {
	case integrations >= 2:
		one, two = analog{n0: 1, d0: w1, d1: 1}, analog{n1: 1, d0: w1 * w1, d1: w1, d2: 1}
	case integrations == 1:
		one = analog{n0: 1, d0: w1, d1: 1}
	case integrations == -1:
		lp2 = analog{n1: w2 * w2, d0: w2 * w2, d1: w2, d2: 1}
	case integrations <= -2:
		lp2 = analog{n2: w2 * w2, d0: w2 * w2, d1: w2, d2: 1}
	}
	return []analog{one, two, {n0: w2, d0: w2, d1: 1}, lp2}
}

// newBand designs for a sampling rate. The upper edge is brought down to 0.35 of
// the sampling rate where that is lower; edge is what it became.
func newBand(from, to rotor.Quantity, low, rate float64) (f band, edge float64) {
	edge = math.Min(highEdge, 0.35*rate)
	as := sectionsFor(from, to, low, edge)
	// s = k (z-1)/(z+1), with k such that low frequencies come out right below and
	// the upper edge does above; the corrector does the rest.
	upper := 2 * math.Pi * edge / edgeShare
	for i, a := range as {
		k := 2 * rate
		if i >= 2 {
			k = upper / math.Tan(math.Min(upper/(2*rate), 1.4))
		}
		f.sections[i] = a.bilinear(k)
	}
	f.n = len(as)
	f.correct(as, low, edge, rate)
	return f, edge
}

// correct fits the corrector to the ratio of the analog to the digital
// magnitude: by least squares of the relative error from half the lower edge to
// past the upper one, and loosely towards 1 above, so that it cannot buy a
// better fit in the band with a large gain outside. The fit runs in Chebyshev
// polynomials of the cosine, which is what pairs of taps are.
func (f *band) correct(as []analog, low, edge, rate float64) {
	top := math.Min(1.2*edge, 0.45*rate)
	a, b := mat.NewDense(2*fitPoints, correctors+1, nil), mat.NewVecDense(2*fitPoints, nil)
	row := func(i int, hz, weight, target float64) {
		for k := range correctors + 1 {
			a.Set(i, k, weight*math.Cos(2*math.Pi*hz/rate*float64(k)))
		}
		b.SetVec(i, weight*target)
	}
	for i := range fitPoints {
		// Chebyshev points, so that the ends are held as well as the middle
		hz := low/2 + (top-low/2)*(1-math.Cos(math.Pi*float64(i)/(fitPoints-1)))/2
		want, have := 1.0, 1.0
		for k, an := range as {
			want *= cmplx.Abs(an.at(2 * math.Pi * hz))
			have *= cmplx.Abs(f.sections[k].at(2 * math.Pi * hz / rate))
		}
		row(i, hz, have/want, want/have)
		row(fitPoints+i, top+(rate/2-top)*float64(i)/(fitPoints-1), looseFit, 1)
	}
	var c mat.VecDense
	c.SolveVec(a, b) // well conditioned: the points cover the whole circle
	for k := range f.taps {
		f.taps[k] = c.AtVec(k) / 2
	}
	f.taps[0] *= 2
}

// settle starts the filter as if x had stood at its input for ever.
func (f *band) settle(x float64) {
	for i := range f.sections[:f.n] {
		x = f.sections[i].settle(x)
	}
	for i := range f.past {
		f.past[i] = x
	}
}

func (f *band) step(x float64) float64 {
	for i := range f.sections[:f.n] {
		x = f.sections[i].step(x)
	}
	f.past[f.at] = x
	const n = 2*correctors + 1
	mid := f.at + n - correctors
	y := f.taps[0] * f.past[mid%n]
	for k := 1; k <= correctors; k++ {
		y += f.taps[k] * (f.past[(mid+k)%n] + f.past[(mid-k)%n])
	}
	f.at = (f.at + 1) % n
	return y
}

// gain is the magnitude at hz, for tests and for those who want to know.
func (f *band) gain(hz, rate float64) float64 {
	w := 2 * math.Pi * hz / rate
	g := f.taps[0]
	for k := 1; k <= correctors; k++ {
		g += 2 * f.taps[k] * math.Cos(w*float64(k))
	}
	for i := range f.sections[:f.n] {
		g *= cmplx.Abs(f.sections[i].at(w))
	}
	return math.Abs(g)
}
