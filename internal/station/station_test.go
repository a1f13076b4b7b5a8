package station

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"math"
	"math/cmplx"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// feed is a source in memory: 20 turns a second of a plain sine, block by
// block, as fast as it is read or one block each 100 ms of (fake) time.
type feed struct {
	setup *acq.Setup
	value complex128 // m/s^2 peak
	paced bool
	gapAt int // block that comes after a gap; 0 = none
	downs int // block at which the link goes down for ever; 0 = never
	end   int // block at which the source ends; 0 = never

	mu    sync.Mutex
	n     int
	down  bool
	block acq.Block
}

const (
	feedRate  = 2000.0
	feedTurns = 20.0 // Hz
	feedLen   = 200
)

func newFeed(v complex128) *feed {
	return &feed{value: v, setup: &acq.Setup{Source: "memory", Rate: feedRate, TickHz: feedRate, HasTach: true, PulsesPerTurn: 1,
		Channels: []acq.Channel{{Name: "DE-H", Quantity: rotor.Acceleration, Scale: 1}}}}
}

func (f *feed) Next(ctx context.Context) (*acq.Block, error) {
	if f.paced {
		select {
		case <-time.After(feedLen * time.Second / feedRate):
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	f.mu.Lock()
	n := f.n
	f.n++
	f.down = f.downs > 0 && n >= f.downs
	down := f.down
	f.mu.Unlock()
	if f.end > 0 && n >= f.end {
		return nil, io.EOF
	}
	if down {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	b := &f.block
	*b = acq.Block{Setup: f.setup, Tick: uint64(n * feedLen), Sample: uint64(n * feedLen), Samples: [][]float32{make([]float32, feedLen)}}
	if f.gapAt > 0 && n == f.gapAt {
		b.Gap = acq.LostFrames
	}
	for i := range feedLen {
		t := float64(n*feedLen+i) / feedRate
		b.Samples[0][i] = float32(real(f.value * cmplx.Exp(complex(0, 2*math.Pi*feedTurns*t))))
	}
	per := feedRate / feedTurns
	for k := math.Ceil(float64(n*feedLen) / per); k*per < float64((n+1)*feedLen); k++ {
		b.Edges = append(b.Edges, acq.Edge{Pos: k*per - float64(n*feedLen), Number: uint64(k)})
	}
	return b, nil
}

func (f *feed) Setup() *acq.Setup { return f.setup }
func (f *feed) Counts() acq.Counts {
	return acq.Counts{}
}
func (f *feed) Close() error { return nil }
func (f *feed) Link() acq.Link {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.down {
		return acq.Link{State: acq.Down, Reason: "the cable was pulled"}
	}
	return acq.Link{Up: true, State: acq.Running}
}

func run(t *testing.T, f *feed) (*Station, context.CancelFunc) {
	t.Helper()
	s := New(StationConfig{Name: "test", Orders: []int{1}}, f, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := s.Run(ctx); err != nil {
			t.Errorf("run: %v", err)
		}
	})
	return s, func() { cancel(); wg.Wait() }
}

func TestTakeMeasuresWhatComesAfterTheCall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		want := cmplx.Rect(2, 1.1)
		f := newFeed(want)
		f.paced = true
		s, stop := run(t, f)
		defer stop()
		r, err := s.Take(t.Context(), Ask{MinTurns: 32})
		if err != nil {
			t.Fatal(err)
		}
		if r.Turns != 32 || !r.Trusted() {
			t.Errorf("%d turns, flags %v; want 32 and no fatal flag", r.Turns, r.Flags)
		}
		// The turns that showed the speed to be steady are no part of the value, but of its error.
		if r.Seen < r.Turns+steadyTurns-2 {
			t.Errorf("%d turns seen, %d used", r.Seen, r.Turns)
		}
		c, ok := r.In(0, 1, rotor.Acceleration)
		if !ok || !(cmplx.Abs(c.Value-want) <= 1e-4) {
			t.Errorf("1x = %v, want %v", c.Value, want)
		}
		if got := rotor.RPM(r.Speed); !(math.Abs(got-60*feedTurns) <= 1e-6*got) {
			t.Errorf("speed %v rpm", got)
		}
	})
}

func TestReadingNeverSpansAGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(1)
		f.paced, f.gapAt = true, 20
		s, stop := run(t, f)
		defer stop()
		r, err := s.Take(t.Context(), Ask{MinTurns: 60}) // 30 blocks of two turns: the gap is in the middle
		if err != nil {
			t.Fatal(err)
		}
		if start := float64(20*feedLen) / feedRate; !(r.Start >= start-1e-9) || r.Turns != 60 {
			t.Errorf("the reading began at %.2f s with %d turns; the gap was at %.2f s", r.Start, r.Turns, start)
		}
	})
}

func TestPulledCableIsSeenAndNothingIsTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(1)
		f.paced, f.downs = true, 20
		s, stop := run(t, f)
		defer stop()
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		_, err := s.Take(ctx, Ask{MinTurns: 1000})
		if err == nil || !strings.Contains(err.Error(), "cable was pulled") || !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("error %v: want the state of the link in it", err)
		}
		n := s.Latest()
		if n.Link.Up || n.Reading != nil || n.Motion != Unknown || n.Speed != 0 {
			t.Errorf("snapshot still shows %v %v %v after the cable was pulled", n.Motion, n.Speed, n.Reading)
		}
	})
}

func TestEndOfARecordingEndsTheStation(t *testing.T) {
	f := newFeed(1)
	f.end = 40
	s := New(StationConfig{Name: "test"}, f, slog.New(slog.DiscardHandler))
	if err := s.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := s.Latest(); n == nil || n.Turns < 70 {
		t.Errorf("last snapshot %+v: want the turns of the whole recording", n)
	}
	if _, err := s.Take(t.Context(), Ask{MinTurns: 8}); err == nil {
		t.Error("a reading was taken after the end")
	}
}

func TestWaitSkipsToTheNewest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(1)
		f.paced = true
		s, stop := run(t, f)
		defer stop()
		first, err := s.Wait(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(3 * time.Second) // fake time: the listener is slow
		next, err := s.Wait(t.Context(), first.Serial)
		if err != nil {
			t.Fatal(err)
		}
		if next.Serial < first.Serial+10 {
			t.Errorf("after 3 s the serial went from %d to %d: a slow listener must get the newest", first.Serial, next.Serial)
		}
	})
}

func TestReadConfig(t *testing.T) {
	good := `
listen = "127.0.0.1:9000"
[[station]]
name = "extractor 3"
source = "serial:/dev/ttyACM0?baud=1000000"
convention = "against-rotation"
[station.machine]
mass_kg = 120
grade = 6.3
speed_rpm = 1480
blades = 16
[[station.plane]]
name = "hub front"
radius_mm = 300
positions = 16
forbidden = [3]
cap_g = 200
[[station.channel]]
name = "DE-H"
tolerance_mm_s = 1.8
`
	c, err := ReadConfig(strings.NewReader(good))
	if err != nil {
		t.Fatal(err)
	}
	st := c.Stations[0]
	if st.Convention != rotor.AgainstRotation || st.Planes[0].Cap != 0.2 || !st.Planes[0].Positions[2].Forbidden {
		t.Errorf("read %+v", st)
	}
	// Counted against rotation, position 2 stands at -22.5 degrees inside.
	if got := rotor.WithRotation.Degrees(st.Planes[0].Positions[1].Angle); !(math.Abs(got-337.5) <= 1e-9) {
		t.Errorf("position 2 at %v degrees with rotation", got)
	}
	if got := st.Channels[0].Tolerance; !(math.Abs(got-1.8e-3*math.Sqrt2) <= 1e-12) {
		t.Errorf("tolerance %v m/s peak", got)
	}

	bad := strings.NewReplacer("mass_kg = 120", "mass_kg = -120", "grade", "grad", "forbidden = [3]", "forbidden = [17]").Replace(good)
	_, err = ReadConfig(strings.NewReader(bad))
	if err == nil {
		t.Fatal("a bad file was accepted")
	}
	for _, want := range []string{"mass_kg = -120", "grad is not a known key", "forbidden: 17"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the error does not name %q:\n%v", want, err)
		}
	}
}
