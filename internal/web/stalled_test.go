package web

import (
	"encoding/json"
	"fmt"
	"maps"
	"net"
	"strings"
	"testing"
	"time"
)

// A browser that stops reading, as a phone that is carried out of reach does,
// never delays a sample: blocks and turns go on as before and none is dropped,
// what it did not take is counted, and after a while it is let go.
func TestStalledBrowserHoldsNothingUp(t *testing.T) {
	b := newBed(t)
	must(t, b.rig.SetPace(1)) // a real board, which waits for nobody
	must(t, b.rig.Start())
	s, st := b.web, b.web.stations[0]
	s.patience = 2 * time.Second
	for st.Latest() == nil || st.Latest().Turns < 10 {
		if !pause(t.Context(), 20*time.Millisecond) {
			t.Fatal("the virtual fan does not turn")
		}
	}
	c, err := net.Dial("tcp", strings.TrimPrefix(b.home, "http://"))
	must(t, err)
	defer c.Close()
	must(t, c.(*net.TCPConn).SetReadBuffer(2048))
	fmt.Fprintf(c, "GET /api/v1/stations/bench%%20fan/events HTTP/1.1\r\nHost: %s\r\n\r\n", strings.TrimPrefix(b.home, "http://"))

	waitFor := func(what string, ok func() bool) {
		t.Helper()
		for range 3000 {
			if ok() {
				return
			}
			pause(t.Context(), 10*time.Millisecond)
		}
		t.Fatalf("in vain waited until %s", what)
	}
	waitFor("it is let in", func() bool { return s.seats.taken() == 1 })
	before, began := st.Latest(), time.Now()
	waitFor("it is let go", func() bool { return s.seats.taken() == 0 })
	after, took := st.Latest(), time.Since(began)
	if v := skipped(t, s); v < 10 {
		t.Errorf("%g states are counted as skipped for a browser that took none for two seconds", v)
	}
	if n := after.Counts.DroppedBlocks - before.Counts.DroppedBlocks; n != 0 || !maps.Equal(after.Counts.Gaps, before.Counts.Gaps) {
		t.Errorf("%d blocks were dropped, gaps %v before and %v after", n, before.Counts.Gaps, after.Counts.Gaps)
	}
	turns := float64(after.Turns-before.Turns) / took.Seconds()
	state, err := json.Marshal(stateOf(st, after, View{Scale: Scales[0]}, defaultAsk, when))
	must(t, err)
	t.Logf("let go after %.1f s; meanwhile %.0f turns a second, %d snapshots; a state is %d bytes", took.Seconds(), turns, after.Serial-before.Serial, len(state))
	if !(turns > 0.5*1400/60) {
		t.Errorf("%.0f turns a second of a fan that turns 23 times a second", turns)
	}
}
