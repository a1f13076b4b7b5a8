package station

import (
	"counterpoise/internal/acq"
	"counterpoise/internal/spectrum"
)

// Kept is what a reading leaves behind beside itself: the spectra and the raw
// signal of its own time.
type Kept struct {
	Spectra []spectrum.Spectrum
	Raw     *Raw // nil where nothing came
}

// Raw is an unbroken piece of signal with the tach edges in it, in the channels'
// units.
type Raw struct {
	Setup   *acq.Setup
	Samples [][]float32 // [channel][sample]
	Edges   []float64   // fractional sample positions
	Cut     bool        // the reading went on longer than a piece may be
}

// The most that is kept of one reading: a minute, and 32 MB of samples.
const (
	rawSeconds = 60
	rawSamples = 8 << 20
)

// add copies a block behind what is there.
func (r *Raw) add(b *acq.Block) {
	if r.Setup != b.Setup {
		*r = Raw{Setup: b.Setup, Samples: make([][]float32, len(b.Samples))}
	}
	if r.Cut || len(r.Samples) == 0 {
		return
	}
	n := len(r.Samples[0])
	if float64(n+b.Len()) > rawSeconds*b.Setup.Rate || (n+b.Len())*len(r.Samples) > rawSamples {
		r.Cut = true
		return
	}
	for _, e := range b.Edges {
		r.Edges = append(r.Edges, float64(n)+e.Pos)
	}
	for c := range r.Samples {
		r.Samples[c] = append(r.Samples[c], b.Samples[c]...)
	}
}

// The signal from before a reading begins is kept for rawWaiting seconds while it
// is waited for, and for rawTurns turns once it has begun: a turn is only known to
// be one when its neighbours have been seen, and more would be the run-up.
const (
	rawWaiting = 5
	rawTurns   = 4
)

// newest forgets all but the newest samples.
func (r *Raw) newest(keep int) {
	if r.Setup == nil || len(r.Samples) == 0 {
		return
	}
	drop := len(r.Samples[0]) - keep
	if drop <= 0 {
		return
	}
	for c, x := range r.Samples {
		r.Samples[c] = append(x[:0], x[drop:]...)
	}
	edges := r.Edges[:0]
	for _, e := range r.Edges {
		if e >= float64(drop) {
			edges = append(edges, e-float64(drop))
		}
	}
	r.Edges = edges
}
