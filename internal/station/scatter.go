package station

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/phase"
)

// scatter remembers the 1x of the newest turns of every channel, so that people
// see how far the phase moves from turn to turn: much of it is a loose mark, a
// beat or a weak 1x, whatever the average says.
type scatter struct {
	ring     [rollingTurns][]complex128 // [turn][channel]
	n        int                        // turns since the last reset
	channels int
}

func (s *scatter) reset() { s.n = 0 }

func (s *scatter) add(t *phase.Turn, channels int) {
	if channels != s.channels {
		s.channels, s.n = channels, 0
		for i := range s.ring {
			s.ring[i] = make([]complex128, channels)
		}
	}
	row := s.ring[s.n%rollingTurns]
	for c := range row {
		v, ok := t.Value(c, 1)
		if !ok {
			v = cmplx.NaN()
		}
		row[c] = v
	}
	s.n++
}

// leastScatterTurns is how few turns still tell how far their phase moves.
const leastScatterTurns = 8

// phases is the standard deviation of the phase from turn to turn, rad, of every
// channel; NaN where the 1x is so weak that its turns point every way. Nil
// before there are enough turns.
func (s *scatter) phases() []float64 {
	n := min(s.n, rollingTurns)
	if n < leastScatterTurns {
		return nil
	}
	out := make([]float64, s.channels)
	for c := range out {
		var sum complex128
		for i := range n {
			sum += s.ring[i][c]
		}
		var square float64
		for i := range n {
			d := cmplx.Phase(s.ring[i][c] * cmplx.Conj(sum))
			square += d * d
		}
		out[c] = math.Sqrt(square / float64(n-1))
		if out[c] > mostScatter {
			out[c] = math.NaN()
		}
	}
	return out
}

// mostScatter is where a scatter of angles stops meaning anything: angles that
// are spread evenly over the whole turn have 1.81 rad (pi/sqrt 3).
const mostScatter = 1.2
