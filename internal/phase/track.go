package phase

import (
	"math"
	"math/cmplx"
)

// Point is the order vectors at one speed of a run-up or coast-down.
type Point struct {
	Speed  float64      // rad/s
	Accel  float64      // rad/s^2
	Time   float64      // s of board time
	Turns  int          // averaged
	Values []complex128 // as Turn.Values; NaN where no turn held one

	good []int // turns in each value
}

// Track follows order vectors against speed without smearing: turns are
// averaged only while the speed has moved by less than a step, so that no point
// mixes speeds further apart than that. Every turn is already free of the
// acceleration within it.
type Track struct {
	step float64
	sum  Point
	from float64
	done []Point
}

// NewTrack makes points at most step apart, as a share of the speed; 0 = 0.5 %.
func NewTrack(step float64) *Track {
	if !(step > 0) {
		step = 0.005
	}
	return &Track{step: step}
}

// Add takes the next turn.
func (t *Track) Add(turn *Turn) {
	if t.sum.Turns > 0 && (math.Abs(turn.Speed-t.from) > t.step*t.from || len(turn.Values) != len(t.sum.Values)) {
		t.close()
	}
	s := &t.sum
	if s.Turns == 0 {
		t.from = turn.Speed
		s.Values, s.good = make([]complex128, len(turn.Values)), make([]int, len(turn.Values))
	}
	s.Turns++
	s.Speed += turn.Speed
	s.Accel += turn.Accel
	s.Time += turn.Tick + turn.Seconds/2
	for i, v := range turn.Values {
		if !cmplx.IsNaN(v) {
			s.Values[i] += v
			s.good[i]++
		}
	}
}

func (t *Track) close() {
	s := t.sum
	n := float64(s.Turns)
	s.Speed /= n
	s.Accel /= n
	s.Time /= n
	for i := range s.Values {
		s.Values[i] /= complex(float64(s.good[i]), 0) // 0/0 is NaN
	}
	t.done = append(t.done, s)
	t.sum = Point{}
}

// Points returns the points so far, in the order of time.
func (t *Track) Points() []Point {
	if t.sum.Turns > 0 {
		t.close()
	}
	return t.done
}
