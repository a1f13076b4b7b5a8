package spectrum

import (
	"fmt"
	"math"
)

// Window weighs the samples of a block.
type Window uint8

// The windows.
const (
	Hann    Window = iota // narrow: the window for telling neighbours apart
	FlatTop               // wide: reads a steady tone right between lines
)

func (w Window) String() string { return [...]string{"hann", "flat-top"}[w] }

// ParseWindow understands what String says.
func ParseWindow(s string) (Window, error) {
	for _, w := range []Window{Hann, FlatTop} {
		if s == w.String() {
			return w, nil
		}
	}
	return 0, fmt.Errorf("window %q is none of hann and flat-top", s)
}

// cosines are the terms a0 - a1 cos + a2 cos 2 ...; the flat top is the
// five-term one of D'Antona and Ferrero, Digital Signal Processing for
// Measurement Systems, 2006, as scipy.signal.windows.flattop has it.
func (w Window) cosines() []float64 {
	if w == FlatTop {
		return []float64{0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368}
	}
	return []float64{0.5, 0.5}
}

// sampled is the window over n samples, periodic, as a transform needs it.
func (w Window) sampled(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		sign := 1.0
		for k, a := range w.cosines() {
			x[i] += sign * a * math.Cos(2*math.Pi*float64(k*i)/float64(n))
			sign = -sign
		}
	}
	return x
}

// gains are the mean of the window and of its square.
func (w Window) gains() (coherent, power float64) {
	for k, a := range w.cosines() {
		if k == 0 {
			coherent, power = a, a*a
		} else {
			power += a * a / 2
		}
	}
	return coherent, power
}

// ENBW is the equivalent noise bandwidth in lines: 1.5 for Hann, 3.77 flat-top.
func (w Window) ENBW() float64 {
	c, p := w.gains()
	return p / (c * c)
}
