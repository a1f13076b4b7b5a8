package hil

import (
	"os"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/acq/tickline"
)

// TestBoardTellsWiringFaults wires the board wrongly, as a beginner might; its
// self-test must say so in words that reach the host.
func TestBoardTellsWiringFaults(t *testing.T) {
	b := built(t, avr)
	for _, c := range []struct {
		name   string
		option []string
		want   string
	}{
		{"tach upside down", []string{"--invert"}, "upside down"},
		{"a sensor is missing", []string{"--rail", "1"}, "lies at a rail"},
		{"all well", nil, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			e, err := b.Emulate(t.Context(), append(signal().Options(), c.option...)...)
			if err != nil {
				t.Fatal(err)
			}
			var notes []string
			if _, err := Follow(t.Context(), "serial:"+e.Port, 5, func(b *acq.Block) { notes = b.Setup.Notes }); err != nil {
				t.Fatal(err)
			}
			if said := strings.Join(notes, " "); (said == "") != (c.want == "") || !strings.Contains(said, c.want) {
				t.Errorf("the board says %q, want something with %q", said, c.want)
			}
			if _, err := e.End(); err != nil {
				t.Fatal(err)
			}
		})
	}
}

// TestLoopback asks for a test wave of a period longer than the 16-bit timer
// and finds it again in the tach edges, to the tick: the emulator wires the test
// pin to the tach input.
func TestLoopback(t *testing.T) {
	b := built(t, avr)
	e, err := b.Emulate(t.Context(), "--noise", "0.5")
	if err != nil {
		t.Fatal(err)
	}
	port, err := os.OpenFile(e.Port, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer port.Close()
	const period = 640000
	hello := tickline.AppendCommand([]byte{0}, 0, tickline.Command{Type: tickline.TypeStart})
	if _, err := port.Write(tickline.AppendCommand(hello, 1, tickline.Command{Type: tickline.TypeLoopback, PeriodTicks: period})); err != nil {
		t.Fatal(err)
	}
	give := time.AfterFunc(time.Minute, func() { e.End() }) // a board that stays silent fails the test, not the suite
	defer give.Stop()
	var edges []uint32
	var dec tickline.Decoder
	looped := false
	buf := make([]byte, 4096)
	for len(edges) < 20 {
		n, err := port.Read(buf)
		if err != nil {
			t.Fatalf("%d edges, then: %v", len(edges), err)
		}
		for p := buf[:n]; len(p) > 0; {
			k, f, _ := dec.Decode(p)
			p = p[k:]
			if f == nil {
				continue
			}
			switch f.Type {
			case tickline.TypeGreeting:
				looped = f.Greeting.Flags&tickline.FlagLoopback != 0
			case tickline.TypeData:
				edges = append(edges, f.Data.Edges...)
			}
		}
	}
	if !looped {
		t.Error("the greeting does not show the loopback")
	}
	for i := 2; i < len(edges); i++ { // the first may be the tail of what was before
		if d := int32(edges[i] - edges[i-1]); d < period-3 || d > period+3 {
			t.Errorf("edge %d came after %d ticks, want %d", i, d, period)
		}
	}
	if _, err := e.End(); err != nil {
		t.Fatal(err)
	}
}
