package station

import (
	"slices"

	"counterpoise/internal/acq"
)

// wave gathers the newest unbroken piece of signal for people to look at: long
// enough for several turns of a slow fan, renewed a few times a second.
type wave struct {
	setup   *acq.Setup
	samples [][]float32
	edges   []float64
	full    *Waveform
	serial  uint64
}

const waveSeconds = 0.75

func (w *wave) add(b *acq.Block) {
	if b.Setup != w.setup || b.Gap != acq.NoLoss {
		w.setup = b.Setup
		w.samples = make([][]float32, len(b.Samples))
		w.restart()
	}
	if len(b.Samples) == 0 {
		return
	}
	had := len(w.samples[0])
	for c := range w.samples {
		w.samples[c] = append(w.samples[c], b.Samples[c]...)
	}
	for _, e := range b.Edges {
		if p := e.Pos + float64(had); p >= 0 {
			w.edges = append(w.edges, p)
		}
	}
	if float64(len(w.samples[0])) < waveSeconds*b.Setup.Rate {
		return
	}
	if w.full == nil { // else nobody has looked yet: keep the piece that waits
		w.serial++
		w.full = &Waveform{Serial: w.serial, Rate: b.Setup.Rate, Edges: slices.Clone(w.edges)}
		for c := range w.samples {
			w.full.Samples = append(w.full.Samples, slices.Clone(w.samples[c]))
		}
	}
	w.restart()
}

func (w *wave) restart() {
	for c := range w.samples {
		w.samples[c] = w.samples[c][:0]
	}
	w.edges = w.edges[:0]
}

// take hands over the piece that waits; nil where there is none.
func (w *wave) take() *Waveform {
	full := w.full
	w.full = nil
	return full
}
