package acq

import (
	"fmt"

	"counterpoise/internal/acq/tickline"
)

// analog is a channel of a board that is no vibration but a sampled tach pulse:
// the one that its greeting says so of, or the one that the SOURCE word names.
type analog struct {
	picks   []int // channel on the wire of each channel of the set-up
	on      bool
	channel int // on the wire
	scale   float32
	window  int // samples from which its levels are learned
	thresh  threshold
	buf     []float32
}

// analogOf finds the tach among the channels of a greeting. The word's &tach= stands
// over what the board says.
func analogOf(w *word, g *tickline.Greeting, names []string) (a analog, err error) {
	if v, ok := w.take("tach"); ok {
		if a.channel, err = column(w, names, v); err != nil {
			return a, err
		}
		a.on = true
	} else {
		for i, c := range g.Channels {
			switch {
			case c.Unit != tickline.TachPulse:
			case a.on:
				return a, fmt.Errorf("the board calls both %q and %q its tach, so it is not known which to follow: name one (tach=...)", names[a.channel], names[i])
			default:
				a.on, a.channel = true, i
			}
		}
	}
	if a.on {
		a.thresh, err = w.threshold()
	}
	return a, err
}

// edges are those that the tach shows in the samples of d.
func (a *analog) edges(b *Block, d *tickline.Data, zero int32) {
	a.buf = a.buf[:0]
	for at := a.channel; at < len(d.Samples); at += d.Channels {
		a.buf = append(a.buf, float32(d.Samples[at]-zero)*a.scale)
	}
	if b.Gap != NoLoss {
		a.thresh.gap()
	}
	b.Edges = a.thresh.piece(b.Edges[:0], a.buf, a.window)
}
