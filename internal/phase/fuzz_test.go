package phase

import (
	"encoding/binary"
	"math"
	"testing"

	"counterpoise/internal/acq"
)

// Whatever a block holds, nothing panics, nothing but finite numbers comes out,
// and a reading of rubbish is not trusted.
func FuzzHostileBlocks(f *testing.F) {
	f.Add([]byte{}, uint8(1), false)
	f.Add([]byte{0, 0, 192, 127, 1, 2, 3, 4}, uint8(2), true) // a NaN
	f.Add(make([]byte, 4096), uint8(1), false)
	f.Fuzz(func(t *testing.T, data []byte, pulses uint8, gaps bool) {
		setup := oneChannel(1000)
		setup.PulsesPerTurn = int(pulses)
		setup.Channels[0].FullScale = 1e6
		x := NewExtractor(Config{Orders: []int{1, 3}})
		a := NewAverage(AverageConfig{Turns: 32})
		number := uint64(0)
		for len(data) >= 12 {
			n := int(data[0])
			b := &acq.Block{Setup: setup, Tick: binary.LittleEndian.Uint64(data[1:9]), Samples: [][]float32{make([]float32, n)}}
			if gaps && data[1]&1 == 1 {
				b.Gap = acq.LostFrames
			}
			k := int(data[9])
			data = data[10:]
			for i := 0; i < n && len(data) >= 4; i++ {
				b.Samples[0][i] = math.Float32frombits(binary.LittleEndian.Uint32(data))
				data = data[4:]
			}
			for i := 0; i < k && len(data) >= 4; i++ {
				pos := float64(math.Float32frombits(binary.LittleEndian.Uint32(data)))
				data = data[4:]
				number += uint64(i % 3)
				b.Edges = append(b.Edges, acq.Edge{Pos: pos, Number: number})
			}
			x.Add(b, func(t2 *Turn) {
				for _, v := range t2.Values {
					if !finite(v) && !math.IsNaN(real(v)) {
						t.Errorf("turn value %v", v)
					}
				}
				a.Add(t2)
			})
		}
		r := a.Reading()
		for _, c := range r.Channels {
			for _, o := range c.Orders {
				if !finite(o.Value) && r.Trusted() {
					t.Errorf("a trusted reading of %v", o.Value)
				}
			}
		}
	})
}

// A board gone mad: edges without end, none of them in rhythm.
func TestEdgesWithoutEnd(t *testing.T) {
	setup := oneChannel(1000)
	x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
	r := rng(9)
	edges := make([]acq.Edge, 0, 100000)
	number := uint64(0)
	for k := range 100 {
		edges = edges[:0]
		pos := 0.0
		for pos < 100 {
			pos += 0.01 * r.ExpFloat64()
			edges = append(edges, acq.Edge{Pos: pos, Number: number})
			number++
		}
		s := make([]float32, 100)
		for i := range s {
			s[i] = float32(r.NormFloat64())
		}
		x.Add(&acq.Block{Setup: setup, Tick: uint64(100 * k), Samples: [][]float32{s}, Edges: edges}, a.Add)
	}
	if rd := a.Reading(); rd.Trusted() {
		t.Errorf("noise on the tach gave a trusted reading of %d turns", a.Turns())
	}
	if x.Dropped() == [NumDrops]uint64{} {
		t.Error("nothing was counted as dropped")
	}
}

// Refused with a reason: each kind of bad sample.
func TestBadSamplesAreRefused(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(i int, v float32) float32
		code  string
	}{
		{"NaN", func(i int, v float32) float32 { return float32(math.NaN()) }, TooFewTurns},
		{"infinite", func(i int, v float32) float32 { return float32(math.Inf(1)) }, TooFewTurns},
		{"clipped", func(i int, v float32) float32 { return max(-1, min(1, 3*v)) }, TooFewTurns},
		{"constant", func(i int, v float32) float32 { return 0.25 }, DeadChannel},
		{"now and then clipped", func(i int, v float32) float32 {
			if i%5000 < 300 {
				return 1
			}
			return v
		}, Clipped},
	} {
		bs := ring(oneChannel(5000), []float64{0}, 25, 4, 0.5, nil)
		bs[0].Setup.Channels[0].FullScale = 1
		for _, b := range bs {
			for i := range b.Samples[0] {
				b.Samples[0][i] = c.spoil(int(b.Tick)+i, b.Samples[0][i])
			}
		}
		x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
		extract(x, bs, a.Add)
		if r := a.Reading(); !r.Flagged(c.code) || c.code != Clipped && r.Trusted() {
			t.Errorf("%s: %d turns, flags %v, dropped %v", c.name, r.Turns, r.Flags, x.Dropped())
		}
	}
}

// A bad channel concerns itself alone: it is refused with its reason, the others
// read on as if it were not there. One that is bad now and then is read from the
// turns in which it is good.
func TestABadChannelStandsAlone(t *testing.T) {
	v := complex(0.4, 0.2)
	for _, c := range []struct {
		name  string
		spoil func(i int, v float32) float32
		code  string
		left  bool // a vector remains
	}{
		{"clipped", func(i int, v float32) float32 { return 1 }, Clipped, false},
		{"NaN", func(i int, v float32) float32 { return float32(math.NaN()) }, Clipped, false},
		{"infinite", func(i int, v float32) float32 { return float32(math.Inf(-1)) }, Clipped, false},
		{"constant", func(i int, v float32) float32 { return 0.25 }, DeadChannel, false},
		{"now and then clipped", func(i int, v float32) float32 {
			if i%5000 < 300 {
				return 1
			}
			return v
		}, Clipped, true},
	} {
		for _, rate := range []float64{1000, 25600} { // one by one, and in the widest groups
			setup := oneChannel(rate)
			setup.Channels = append(setup.Channels, setup.Channels[0], setup.Channels[0])
			setup.Channels[1].Name, setup.Channels[1].FullScale = "bad", 1
			setup.Channels[2].Name = "c"
			bs := record(setup, steady(25), 4, func(_, th float64) float64 {
				sin, cos := math.Sincos(th)
				return real(v)*cos - imag(v)*sin
			})
			for _, b := range bs {
				spoilt := make([]float32, b.Len())
				for i, x := range b.Samples[1] {
					spoilt[i] = c.spoil((int(b.Tick)+i)*5000/int(rate), x)
				}
				b.Samples[1] = spoilt
			}
			x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
			extract(x, bs, a.Add)
			r := a.Reading()
			if !r.Trusted() || !r.Flagged(c.code) || r.Turns < 95 {
				t.Errorf("%s: %d turns, trusted %v, flags %v, dropped %v", c.name, r.Turns, r.Trusted(), r.Flags, x.Dropped())
				continue
			}
			for k, ch := range r.Channels {
				switch good := len(ch.Orders) == 1 && apart(ch.Orders[0].Value, v) < 1e-6; {
				case k != 1 && (!good || ch.Refused != ""), k == 1 && c.left && (!good || ch.Left == 0):
					t.Errorf("%s: channel %q reads %+v", c.name, ch.Name, ch)
				case k == 1 && !c.left && (len(ch.Orders) != 0 || ch.Refused == ""):
					t.Errorf("%s: channel %q was not refused: %+v", c.name, ch.Name, ch)
				}
			}
		}
	}
}

// Nothing at all, edges out of order, blocks out of order: no turn, no trusted
// reading, and everything counted.
func TestOutOfOrderIsRefused(t *testing.T) {
	var none Extractor
	none.Add(nil, nil)
	if r := NewAverage(AverageConfig{}).Reading(); r.Trusted() || !r.Flagged(TooFewTurns) {
		t.Errorf("nothing gave %+v", r)
	}
	for name, spoil := range map[string]func(bs []*acq.Block){
		"empty": func(bs []*acq.Block) {
			for _, b := range bs {
				b.Samples, b.Edges = [][]float32{nil}, nil
			}
		},
		"edges backwards": func(bs []*acq.Block) {
			for _, b := range bs {
				for i := range b.Edges {
					b.Edges[i].Pos = -b.Edges[i].Pos * 3
				}
			}
		},
		"edges at one place": func(bs []*acq.Block) {
			for _, b := range bs {
				for i := range b.Edges {
					b.Edges[i].Pos = 0.5
				}
				b.Edges = append(b.Edges, b.Edges...)
			}
		},
		"no numbers for edges": func(bs []*acq.Block) {
			for _, b := range bs {
				for i := range b.Edges {
					b.Edges[i].Pos = math.NaN()
				}
			}
		},
		"blocks backwards": func(bs []*acq.Block) {
			for i := range bs {
				bs[i].Tick = uint64(len(bs)-i) * 300
			}
		},
	} {
		bs := ring(oneChannel(5000), []float64{0}, 25, 4, 1, nil)
		spoil(bs)
		x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
		extract(x, bs, a.Add)
		r := a.Reading()
		for _, ch := range r.Channels {
			for _, o := range ch.Orders {
				if !finite(o.Value) {
					t.Errorf("%s: value %v", name, o.Value)
				}
			}
		}
		if r.Trusted() {
			t.Errorf("%s: a trusted reading of %d turns: %v, dropped %v", name, r.Turns, r.Flags, x.Dropped())
		}
	}
}
