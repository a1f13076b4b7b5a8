package rig

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"counterpoise/internal/acq/pty"
	"counterpoise/internal/acq/tickline"
	"counterpoise/internal/rotor"
)

func TestBoardGreetsStartsAndStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, err := New("extractor", 1)
		if err != nil {
			t.Fatal(err)
		}
		h := over(t, r, 1)
		h.until(tickline.TypeGreeting) // on its own
		h.say(tickline.TypeAsk, 0)
		g := h.until(tickline.TypeGreeting).Greeting
		if g.Protocol != tickline.Version || len(g.Channels) != 5 || g.TickHz != 16e6 || g.SampleTicks != 2500 || g.Pulses != 1 || g.Flags != 0 {
			t.Errorf("greeting %+v", g)
		}
		if c := g.Channels[1]; c.Name != "DE-V" || c.Unit != tickline.MetrePerSecond2 || c.DelayTicks != 1673 {
			t.Errorf("channel %+v", c) // 25 us of slot and 1/(2 pi 2 kHz) of filter, in ticks of 1/16 us
		}
		h.say(tickline.TypeStart, 0)
		if f := h.until(tickline.TypeGreeting).Greeting.Flags; f != tickline.FlagStreaming {
			t.Errorf("flags %#x", f)
		}
		begin := time.Now()
		samples, _ := h.collect(800)
		if s := time.Since(begin).Seconds(); !(s > 0.9*float64(samples)/6400 && s < 1.1*float64(samples)/6400) {
			t.Errorf("%d samples took %v s", samples, s)
		}
		h.say(tickline.TypeStop, 0)
		if f := h.until(tickline.TypeGreeting).Greeting.Flags; f != 0 {
			t.Errorf("flags %#x after stop", f)
		}
		if r.State().Streaming {
			t.Error("still streaming")
		}
	})
}

// The whole of a run: up, at speed, weights refused, off, down, still for over
// a second with data flowing, weights accepted.
func TestRunUpCoastDownAndStandstill(t *testing.T) {
	r, err := New("bench-fan", 2)
	if err != nil {
		t.Fatal(err)
	}
	h := over(t, r, 0)
	h.say(tickline.TypeStart, 0)
	if err := r.Start(); err != nil {
		t.Fatal(err)
	}
	state := r.State()
	for ; !state.AtSpeed; state = r.State() {
		h.collect(100)
		if state.Seconds > 60 {
			t.Fatalf("no run-up: %+v", state)
		}
	}
	if state.Motion != Running || !state.SupplyOn {
		t.Errorf("%+v", state)
	}
	w := []rotor.Weight{{Plane: "fan", Mass: 0.01, Angle: 1}}
	for _, err := range []error{r.Fit(w), r.Bend(1, 0.001, 0, 0)} {
		if err == nil {
			t.Error("touched while it ran")
		} else {
			t.Log(err)
		}
	}
	_, edges := h.collect(1000)
	if edges < 65 {
		t.Errorf("%d edges in 1000 frames at speed", edges)
	}
	r.Stop()
	h.collect(50)
	if s := r.State(); s.Motion != Coasting || r.Fit(w) == nil {
		t.Errorf("touched while it coasted: %+v", s)
	}
	for r.State().Motion != Still {
		h.collect(100)
		if r.State().Seconds > 120 {
			t.Fatalf("never still: %+v", r.State())
		}
	}
	h.collect(60) // what was under way
	if samples, edges := h.collect(600); edges != 0 || samples < 6400 {
		t.Errorf("%d edges in %d samples while it stands", edges, samples)
	}
	before := r.TrueVector(0)
	if err := r.Fit(w); err != nil {
		t.Error(err)
	}
	if r.TrueVector(0) == before || len(r.State().Weights) != 1 {
		t.Error("the weight did nothing")
	}
	if err := r.Fit(nil); err != nil || r.TrueVector(0) != before {
		t.Error("the weight did not come off")
	}
}

func TestTouchingRefused(t *testing.T) {
	r, _ := New("bench-fan", 1)
	for name, err := range map[string]error{
		"plane":    r.Fit([]rotor.Weight{{Plane: "nose", Mass: 0.01}}),
		"negative": r.Fit([]rotor.Weight{{Plane: "fan", Mass: -0.01}}),
		"NaN":      r.Fit([]rotor.Weight{{Plane: "fan", Mass: nan()}}),
		"angle":    r.Fit([]rotor.Weight{{Plane: "fan", Mass: 0.01, Angle: nan()}}),
		"blade":    r.Bend(7, 0, 0, 0),
		"track":    r.Bend(1, nan(), 0, 0),
		"pitch":    r.Bend(1, 0, 2, 0),
		"mass":     r.Bend(1, 0, 0, 9),
		"pace":     r.SetPace(nan()),
	} {
		if err == nil {
			t.Errorf("%s was accepted", name)
		} else {
			t.Log(err)
		}
	}
	if _, err := New("no-fan", 1); err == nil {
		t.Error("an unknown name was accepted")
	}
}

func nan() float64 { z := 0.0; return z / z }

func TestPseudoTerminal(t *testing.T) {
	r, err := New("bench-fan", 4)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	path, done, err := r.ServePTY(ctx)
	if errors.Is(err, pty.ErrNone) && runtime.GOOS != "linux" {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetPace(0); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		h := newHost(t, dial(t, path))
		h.say(tickline.TypeAsk, 0)
		h.until(tickline.TypeGreeting)
		h.say(tickline.TypeStart, 0)
		h.collect(500)
		r.Unplug(10 * time.Millisecond)
		for h.next() != nil {
		}
		h.conn.Close()
	}
	// A host that goes away without a word leaves the board talking; the next
	// one finds it by the same name.
	first := newHost(t, dial(t, path))
	first.say(tickline.TypeStart, 0)
	first.collect(10)
	first.conn.Close()
	next := newHost(t, dial(t, path))
	next.say(tickline.TypeAsk, 0)
	if g := next.until(tickline.TypeGreeting).Greeting; g.Flags != tickline.FlagStreaming {
		t.Errorf("the second host was greeted with flags %#x", g.Flags)
	}
	next.collect(100)
	if _, _, err := r.ServePTY(ctx); err == nil {
		t.Error("served twice")
	}
	cancel()
	<-done
	if _, err := os.Stat(filepath.Dir(path)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the link's place is left: %v", err)
	}
}

// Nothing is left behind by hosts that come and go.
func TestManyHosts(t *testing.T) {
	r, err := New("bench-fan", 4)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	addr, done, err := r.ServeTCP(ctx, "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var early int
	for i := range 200 {
		conn, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		h := newHost(t, conn)
		h.say(tickline.TypeAsk, 0)
		h.until(tickline.TypeGreeting)
		if i == 20 {
			early = runtime.NumGoroutine()
		}
		conn.Close()
	}
	if late := runtime.NumGoroutine(); late > early+5 {
		t.Errorf("%d goroutines after 20 hosts, %d after 200", early, late)
	}
	cancel()
	<-done
}

func TestTCP(t *testing.T) {
	r, err := New("cooling-fan", 4)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	addr, done, err := r.ServeTCP(ctx, "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetPace(0); err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		var conn net.Conn
		for end := time.Now().Add(5 * time.Second); conn == nil && time.Now().Before(end); runtime.Gosched() {
			conn, _ = net.Dial("tcp", addr)
		}
		if conn == nil {
			t.Fatal("nobody listens")
		}
		h := newHost(t, conn)
		h.say(tickline.TypeStart, 0)
		h.collect(100)
		if i == 1 {
			r.Unplug(0)
			for h.next() != nil {
			}
			if c, err := net.Dial("tcp", addr); err == nil {
				c.Close()
				t.Error("somebody listens though the cable is out")
			}
			r.Plug()
		}
		conn.Close()
	}
	cancel()
	<-done
}

func TestFaults(t *testing.T) {
	r, err := New("bench-fan", 6)
	if err != nil {
		t.Fatal(err)
	}
	h := over(t, r, 0)
	r.Inject(Faults{FlipEvery: 10, GarbageEvery: 25, LoseEvery: 40})
	h.say(tickline.TypeStart, 0)
	for range 2000 {
		h.until(tickline.TypeData)
	}
	if n := h.refused[tickline.BadCRC] + h.refused[tickline.BadCOBS] + h.refused[tickline.TooShort] + h.refused[tickline.BadLength]; n < 150 {
		t.Errorf("refused %v", h.refused)
	}
	r.Inject(Faults{Version: 9})
	h.say(tickline.TypeAsk, 0)
	for h.refused[tickline.WrongVersion] == 0 {
		h.next()
	}
	if h.d.OtherVersion() != 9 {
		t.Errorf("version %d", h.d.OtherVersion())
	}
	r.Inject(Faults{})
	r.Restart()
	if g := h.until(tickline.TypeGreeting); g.Greeting.Flags != 0 {
		t.Errorf("after a restart %+v", g.Greeting)
	}
	h.say(tickline.TypeStart, 0)
	if d := h.until(tickline.TypeData).Data; d.Tick > 16e6*10 {
		t.Errorf("tick %d after a restart", d.Tick)
	}
}

func TestLoopback(t *testing.T) {
	r, err := New("bench-fan", 6)
	if err != nil {
		t.Fatal(err)
	}
	h := over(t, r, 0)
	h.say(tickline.TypeLoopback, 800000) // 20 Hz
	h.say(tickline.TypeStart, 0)
	h.collect(100)
	samples, edges := h.collect(1000)
	if want := samples / 320; edges < want-1 || edges > want+1 {
		t.Errorf("%d edges in %d samples, want %d", edges, samples, want)
	}
}

// A host that does not read costs a real board frames, and it counts them.
func TestSlowHostCostsFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, err := New("bench-fan", 6)
		if err != nil {
			t.Fatal(err)
		}
		h := over(t, r, 1)
		h.say(tickline.TypeStart, 0)
		h.until(tickline.TypeData)
		time.Sleep(5 * time.Second) // of the bubble's clock
		var last tickline.Data
		for range 1000 {
			last = h.until(tickline.TypeData).Data
		}
		if last.Drops < 500 {
			t.Errorf("%d drops after 5 s of silence", last.Drops)
		}
		for f := h.next(); f.Type != tickline.TypeStatus; f = h.next() {
		}
	})
}
