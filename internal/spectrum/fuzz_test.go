package spectrum

import (
	"encoding/binary"
	"math"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// Whatever a block holds, nothing panics, and a channel whose samples are numbers
// of a sensible size shows nothing but numbers.
func FuzzHostileBlocks(f *testing.F) {
	f.Add([]byte{}, 2560.0, uint8(0))
	f.Add([]byte{0, 0, 192, 127, 1, 2, 3, 4, 0, 0, 128, 127}, 2560.0, uint8(1))
	f.Add(make([]byte, 64), math.NaN(), uint8(2))
	f.Add([]byte{1, 2, 3, 4, 5}, 1e-9, uint8(3))
	f.Add([]byte{255, 255, 127, 127}, 1e12, uint8(4))
	f.Fuzz(func(t *testing.T, data []byte, rate float64, kind uint8) {
		setup := setupOf(rate, rotor.Quantity(kind%4))
		setup.Channels = append(setup.Channels, acq.Channel{Name: "good", Quantity: rotor.Velocity})
		a := New(Config{Lines: 400, MaxHz: rate / float64(2+kind%32), Mode: Mode(kind % 3), Window: Window(kind % 2)})
		l := NewLevels(LevelsConfig{Speed: float64(kind), Seconds: float64(kind % 5)})
		x, good := make([]float32, 300), make([]float32, 300)
		for k := range 12 {
			for i := range x {
				if len(data) >= 4 {
					x[i] = math.Float32frombits(binary.LittleEndian.Uint32(data[(4*(k*len(x)+i))%(len(data)-3):]))
				}
				good[i] = float32(math.Sin(float64(k*len(x)+i) / 7))
			}
			b := &acq.Block{Setup: setup, Tick: uint64(k * len(x)), Samples: [][]float32{x, good}}
			if len(data) > k && data[k] == 7 {
				b.Gap = acq.LostFrames
			}
			a.Add(b)
			l.Add(b)
		}
		for _, s := range a.Latest() {
			ps := s.Peaks(20)
			s.NameAll(ps, Context{Shafts: []Shaft{{Hz: rate / 40, Error: float64(kind)}, {Hz: math.NaN()}}, Blades: int(kind) - 3, Poles: int(kind % 7), BeltHz: rate})
			for k, p := range s.Peak {
				if s.Channel == "good" && !(p >= 0 && p < 10) {
					t.Fatalf("line %d of the good channel is %v", k, p)
				}
			}
		}
		for _, o := range l.Latest() {
			if o.Channel == "good" && !(o.RMS < 10) {
				t.Fatalf("the good channel: %+v", o)
			}
		}
	})
}

// A channel without numbers concerns itself alone.
func TestANaNChannelStandsAlone(t *testing.T) {
	setup := setupOf(2560, rotor.Velocity)
	setup.Channels = append(setup.Channels, acq.Channel{Name: "b", Quantity: rotor.Velocity})
	a, l := New(Config{Lines: 400}), NewLevels(LevelsConfig{})
	wave := sine(2, 100)
	for from := 0; from < 10240; from += 256 {
		x := [][]float32{make([]float32, 256), make([]float32, 256)}
		for i := range 256 {
			x[0][i], x[1][i] = float32(math.NaN()), float32(wave(float64(from+i)/2560))
		}
		b := &acq.Block{Setup: setup, Tick: uint64(from), Samples: x}
		a.Add(b)
		l.Add(b)
	}
	s, o := a.Latest(), l.Latest()
	if len(s) != 2 || len(o) != 2 {
		t.Fatalf("%d spectra, %d levels", len(s), len(o))
	}
	if s[0].Blocks != 0 || s[1].Blocks < 5 || !(math.Abs(s[1].Peak[40]-2) < 1e-3) || len(s[0].Peaks(5)) != 0 {
		t.Errorf("%d and %d blocks, line %v", s[0].Blocks, s[1].Blocks, s[1].Peak[40])
	}
	if !math.IsNaN(o[0].Velocity) || !math.IsNaN(o[0].RMS) || !(math.Abs(o[1].RMS*math.Sqrt2-2) < 1e-2) {
		t.Errorf("levels %+v", o)
	}
}
