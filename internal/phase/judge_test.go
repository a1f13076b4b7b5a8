package phase

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"counterpoise/internal/acq"
)

// ring makes a record whose wheel has marks at the given angles in turns.
func ring(setup *acq.Setup, marks []float64, hz, seconds float64, v complex128, keep func(i int) bool) []*acq.Block {
	n := int(seconds * setup.Rate)
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(real(v * cmplx.Rect(1, 2*math.Pi*hz*float64(i)/setup.Rate)))
	}
	var edges []float64
	i := 0
	for k := 0; ; k++ {
		pos := (float64(k/len(marks)) + marks[k%len(marks)]) / hz * setup.Rate
		if pos > float64(n) {
			break
		}
		if keep == nil || keep(i) {
			edges = append(edges, pos)
		}
		i++
	}
	return blocks(setup, [][]float32{x}, edges, 300)
}

// With unequal marks zero is the mark after the widest spacing, wherever the
// record begins; the angle between the marks is learned, not assumed.
func TestSeveralMarks(t *testing.T) {
	v := cmplx.Rect(1, 0.4)
	for _, c := range []struct {
		name  string
		marks []float64 // in turns
		zero  float64   // where zero must be found
		alike bool
	}{
		{"two unequal", []float64{0.1, 0.55}, 0.1, false}, // spacings 0.45, 0.55
		{"three unequal", []float64{0, 0.30, 0.62}, 0, false},
		{"widest first", []float64{0, 0.40, 0.7}, 0.4, false},
		{"two alike", []float64{0, 0.5}, math.NaN(), true},
		{"a tooth missing of 12", []float64{0, 1. / 12, 2. / 12, 3. / 12, 4. / 12, 5. / 12, 6. / 12, 7. / 12, 8. / 12, 9. / 12, 10. / 12}, 0, false},
	} {
		setup := oneChannel(5000)
		setup.PulsesPerTurn = len(c.marks)
		x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
		extract(x, ring(setup, c.marks, 25, 2, v, nil), a.Add)
		r := a.Reading()
		if r.Turns < 40 {
			t.Errorf("%s: %d turns, dropped %v", c.name, r.Turns, x.Dropped())
			continue
		}
		if r.Flagged(MarkAmbiguous) != c.alike {
			t.Errorf("%s: flags %v", c.name, r.Flags)
		}
		if c.alike {
			continue
		}
		want := v * cmplx.Rect(1, 2*math.Pi*c.zero)
		if got := r.Channels[0].Orders[0].Value; !(apart(got, want) < 1e-4) {
			t.Errorf("%s: %v, want %v", c.name, got, want)
		}
	}
}

// Missed, doubled and spurious edges cost the turns they touch and nothing else.
func TestBadEdges(t *testing.T) {
	v := cmplx.Rect(1, 0.4)
	setup := oneChannel(5000)
	clean := ring(setup, []float64{0}, 25, 4, v, nil)
	count := func(bs []*acq.Block) (int, [NumDrops]uint64, Reading) {
		x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
		extract(x, bs, a.Add)
		return a.Turns(), x.Dropped(), a.Reading()
	}
	all, _, _ := count(clean)
	for _, c := range []struct {
		name  string
		bs    []*acq.Block
		drops [NumDrops]uint64
	}{
		{"one missed", ring(setup, []float64{0}, 25, 4, v, func(i int) bool { return i != 40 }), [NumDrops]uint64{DropMissed: 2}},
		{"three missed", ring(setup, []float64{0}, 25, 4, v, func(i int) bool { return i < 40 || i > 42 }), [NumDrops]uint64{DropMissed: 4}},
		{"one doubled", ring(setup, []float64{0, 0.05}, 25, 4, v, func(i int) bool { return i%2 == 0 || i == 81 }), [NumDrops]uint64{DropDoubled: 1}},
		{"one spurious", ring(setup, []float64{0, 0.4}, 25, 4, v, func(i int) bool { return i%2 == 0 || i == 81 }), [NumDrops]uint64{DropSpurious: 1}},
	} {
		// edge numbers run on without a hole: the board saw no missing edge either
		turns, drops, r := count(c.bs)
		lost := 0
		for _, n := range c.drops {
			lost += int(n)
		}
		if drops != c.drops || turns != all-lost {
			t.Errorf("%s: %d turns, dropped %v; want %d, %v", c.name, turns, drops, all-lost, c.drops)
		}
		if got := r.Channels[0].Orders[0].Value; !(apart(got, v) < 1e-5) {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A gate that locked on half the speed in a run-up would halve the speed for
// good: every turn of a steep run-up must be at its own speed.
func TestRunUpKeepsItsSpeed(t *testing.T) {
	for _, accel := range []float64{1, 5, 20} { // turns/s^2
		setup := oneChannel(5000)
		turns := func(t float64) float64 {
			if at := 40 / accel; t > at {
				return 40*40/(2*accel) + 40*(t-at)
			}
			return accel * t * t / 2
		}
		x := NewExtractor(Config{})
		n, bad := 0, 0
		extract(x, record(setup, turns, 40/accel+2, func(_, th float64) float64 { return math.Cos(th) }), func(t *Turn) {
			n++
			mid := t.Tick + t.Seconds/2
			if want := math.Min(40, accel*mid); math.Abs(t.Speed/(2*math.Pi)-want) > 0.03*want {
				bad++
			}
		})
		total := int(turns(40/accel + 2))
		if bad > 0 || n < total-12 {
			t.Errorf("%v turns/s^2: %d of %d turns, %d at a wrong speed, dropped %v", accel, n, total, bad, x.Dropped())
		}
		if s := x.State(); s.Motion != Turning || math.Abs(s.Speed-2*math.Pi*40) > 0.1 {
			t.Errorf("state %+v", s)
		}
	}
}

// A tach that falls silent while the machine shakes on is lost; a rotor that
// ran down, or one that is suddenly quiet, stands still.
func TestLostTachOrStandstill(t *testing.T) {
	for _, c := range []struct {
		name string
		want Motion
		make func(setup *acq.Setup) []*acq.Block
	}{
		{"running", Turning, func(s *acq.Setup) []*acq.Block { return ring(s, []float64{0}, 25, 4, 1, nil) }},
		{"tach lost", LostTach, func(s *acq.Setup) []*acq.Block {
			return ring(s, []float64{0}, 25, 4, 1, func(i int) bool { return i < 60 })
		}},
		{"ran down", Still, func(s *acq.Setup) []*acq.Block {
			turns := func(t float64) float64 {
				if t > 4 {
					t = 4
				}
				return 20*t - 2.5*t*t
			}
			return record(s, turns, 7, func(t, th float64) float64 { return math.Max(0, 20-5*t) * math.Cos(th) })
		}},
		{"no tach", Unknown, func(s *acq.Setup) []*acq.Block {
			s.HasTach = false
			return ring(s, []float64{0}, 25, 4, 1, func(int) bool { return false })
		}},
		{"never turned", Still, func(s *acq.Setup) []*acq.Block {
			return ring(s, []float64{0}, 25, 4, 0, func(int) bool { return false })
		}},
	} {
		x := NewExtractor(Config{})
		extract(x, c.make(oneChannel(2000)), nil)
		if s := x.State(); s.Motion != c.want {
			t.Errorf("%s: %v", c.name, s.Motion)
		}
	}
}

// Edges may come with an earlier or a later block than their samples.
func TestEdgesOutOfStep(t *testing.T) {
	v := cmplx.Rect(1, 0.4)
	for _, shift := range []int{-3, -1, 1, 5} {
		bs := ring(oneChannel(5000), []float64{0}, 25, 4, v, nil)
		moved := make([]*acq.Block, len(bs))
		for i, b := range bs {
			c := *b
			c.Edges = nil
			if from := i - shift; from >= 0 && from < len(bs) {
				for _, e := range bs[from].Edges {
					e.Pos -= float64(shift * 300)
					c.Edges = append(c.Edges, e)
				}
			}
			moved[i] = &c
		}
		x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
		extract(x, moved, a.Add)
		r := a.Reading()
		if r.Turns < 90 || !(apart(r.Channels[0].Orders[0].Value, v) < 1e-5) {
			t.Errorf("edges %d blocks late: %d turns, dropped %v", shift, r.Turns, x.Dropped())
		}
	}
}

// A gap costs the turn that it touches.
func TestGap(t *testing.T) {
	bs := ring(oneChannel(5000), []float64{0}, 25, 4, 1, nil)
	bs[20].Gap = acq.LostFrames
	x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
	extract(x, bs, a.Add)
	if d := x.Dropped(); d != [NumDrops]uint64{DropGap: 1} {
		t.Errorf("dropped %v", d)
	}
	if fmt.Sprint(a.Reading().Flags) != "[]" {
		t.Errorf("flags %v", a.Reading().Flags)
	}
}

// A gear or an encoder as a tach: judging begins with six turns of its teeth, all
// of which must find room.
func TestManyMarks(t *testing.T) {
	v := cmplx.Rect(1, 0.4)
	for _, teeth := range []int{60, 120, 360, 1000} {
		marks := make([]float64, teeth)
		for i := range marks {
			marks[i] = (0.1 + float64(i) - 0.3*float64(min(i, 1))) / float64(teeth) // widest before the first
		}
		setup := oneChannel(50000)
		setup.PulsesPerTurn = teeth
		x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
		extract(x, ring(setup, marks, 25, 2, v, nil), a.Add)
		r := a.Reading()
		want := v * cmplx.Rect(1, 2*math.Pi*marks[0])
		if r.Turns < 40 || r.Flagged(MarkAmbiguous) || !(apart(r.Channels[0].Orders[0].Value, want) < 1e-3) || x.LostEdges() != 0 {
			t.Errorf("%d teeth: %d turns, %d edges lost, dropped %v, %+v", teeth, r.Turns, x.LostEdges(), x.Dropped(), r.Channels)
		}
	}
}
