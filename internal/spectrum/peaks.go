package spectrum

import (
	"math"
	"slices"
)

// Peak is one line of a spectrum with its interpolated frequency and true
// amplitude, and once Named what it is and why.
type Peak struct {
	Hz        float64
	HzError   float64 // standard error that the noise around it allows; at least a hundredth of a line
	Amplitude float64 // peak value, in the spectrum's quantity
	Kind      string  // one of the Kind words; Unknown where nothing or too much fits
	Name      string  // for people: "2x", "blade pass", "twice line frequency"
	Evidence  string  // one sentence
	Seconds   float64 // block length in s that would tell the candidates apart; 0 = they are
}

// The words of Peak.Kind.
const (
	Unknown  = "unknown"
	Order    = "order"
	Blade    = "blade-pass"
	Line     = "line"
	Sideband = "slip-sideband"
	Belt     = "belt"
)

const (
	floorLines = 24 // on each side, from which the noise around a peak is taken
	aboveFloor = 4  // times the noise amplitude: chance makes 1 line in 1e7 so high when averaged
)

// Peaks finds up to most peaks, the largest first. Between lines the frequency
// and amplitude come from the two largest lines and the shape of the window
// (Hann: exact for a steady tone; flat-top: a parabola through the logarithms).
func (s Spectrum) Peaks(most int) []Peak {
	var found []Peak
	from := max(2, int(math.Ceil(s.Above/s.Step)))
	for k := from; k < len(s.Peak)-1; k++ {
		p := s.Peak[k]
		if !(p > s.Peak[k-1] && p >= s.Peak[k+1]) {
			continue
		}
		if !s.standsOut(k) {
			continue
		}
		floor := s.floor(k)
		found = append(found, s.interpolate(k, floor))
	}
	slices.SortFunc(found, func(a, b Peak) int {
		switch {
		case a.Amplitude > b.Amplitude:
			return -1
		case a.Amplitude < b.Amplitude:
			return 1
		}
		return 0
	})
	return found[:min(most, len(found))]
}

// around are the lines from which the noise beside line k is taken, the line's
// own skirt left out.
func (s Spectrum) around(k int, each func(p float64)) {
	skirt := len(s.Window.cosines())
	for i := max(1, k-floorLines); i <= min(len(s.Peak)-1, k+floorLines); i++ {
		if i < k-skirt || i > k+skirt {
			each(s.Peak[i])
		}
	}
}

// standsOut reports whether a line is more than aboveFloor times the median
// around it: counting is far cheaper than sorting, and most maxima are noise.
func (s Spectrum) standsOut(k int) bool {
	n, higher := 0, 0
	least := s.Peak[k] / aboveFloor
	s.around(k, func(p float64) {
		n++
		if !(p < least) {
			higher++
		}
	})
	return 2*higher < n || n == 0 && s.Peak[k] > 0
}

// floor is the median amplitude around a line.
func (s Spectrum) floor(k int) float64 {
	var room [2*floorLines + 1]float64
	around := room[:0]
	s.around(k, func(p float64) { around = append(around, p) })
	slices.Sort(around)
	if len(around) == 0 {
		return 0
	}
	return around[len(around)/2]
}

func (s Spectrum) interpolate(k int, floor float64) Peak {
	p, left, right := s.Peak[k], s.Peak[k-1], s.Peak[k+1]
	d := 0.0
	amplitude := p
	if s.Window == Hann {
		// |W(x)| of a Hann window is sin(pi x)/(pi x) / (1 - x^2): two lines give x.
		if r := math.Max(left, right) / p; r > 0 {
			d = (2*r - 1) / (1 + r)
		}
		d = math.Max(0, math.Min(0.5, d))
		if x := math.Pi * d; x > 0 {
			amplitude = p * (1 - d*d) * x / math.Sin(x)
		}
		if left > right {
			d = -d
		}
	} else if left > 0 && right > 0 && p > 0 {
		l, m, r := math.Log(left), math.Log(p), math.Log(right)
		if bend := l - 2*m + r; bend < 0 {
			d = (l - r) / (2 * bend)
			amplitude = p // flat: the largest line reads right
		}
	}
	return Peak{Hz: (float64(k) + d) * s.Step, Amplitude: amplitude, Kind: Unknown, Name: "unknown",
		HzError: s.Step * math.Max(0.01, floor/p)}
}
