package spectrum

import (
	"fmt"
	"math"

	"github.com/mjibson/go-dsp/spectral"
	"github.com/mjibson/go-dsp/window"
)

// Offline is Welch's average over a whole record at once, in (unit)^2/Hz, by
// go-dsp used where it is right: an even block, no padding, its symmetric Hann
// window, half overlap. The mean of the record is removed first. block must be
// even and no longer than the record.
func Offline(x []float64, rate float64, block int) (density, hz []float64, err error) {
	if block < 2 || block%2 != 0 {
		return nil, nil, fmt.Errorf("a block of %d samples is odd or too short: choose an even one", block)
	}
	if block > len(x) {
		return nil, nil, fmt.Errorf("a record of %d samples is shorter than a block of %d: choose a shorter block", len(x), block)
	}
	if !(rate > 0) || math.IsInf(rate, 0) {
		return nil, nil, fmt.Errorf("a sampling rate of %v is none", rate)
	}
	mean := 0.0
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v - mean
	}
	density, hz = spectral.Pwelch(y, rate, &spectral.PwelchOptions{NFFT: block, Noverlap: block / 2, Window: window.Hann})
	return density, hz, nil
}
