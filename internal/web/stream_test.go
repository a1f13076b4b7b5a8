package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	dto "github.com/prometheus/client_model/go"
)

// tap is a client that takes each event after a delay.
type tap struct {
	mu      sync.Mutex
	header  http.Header
	events  []string
	at      []time.Time
	slow    time.Duration
	refuses error
}

func (c *tap) Header() http.Header {
	if c.header == nil {
		c.header = http.Header{}
	}
	return c.header
}
func (c *tap) WriteHeader(int)                   {}
func (c *tap) Flush()                            {}
func (c *tap) SetWriteDeadline(time.Time) error  { return nil }
func (c *tap) SetReadDeadline(d time.Time) error { return nil }

func (c *tap) Write(b []byte) (int, error) {
	if c.slow > 0 {
		time.Sleep(c.slow) // in a bubble: its clock, not the wall's
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.refuses != nil {
		return 0, c.refuses
	}
	c.events = append(c.events, string(bytes.Clone(b)))
	c.at = append(c.at, time.Now())
	return len(b), nil
}

func (c *tap) states(t *testing.T) (out []State) {
	t.Helper()
	for _, e := range c.events {
		body, ok := strings.CutPrefix(e, "event: state\ndata: ")
		if !ok {
			continue
		}
		if strings.Count(e, "\n") != 3 || !strings.HasSuffix(e, "\n\n") {
			t.Fatalf("a malformed event: %q", e)
		}
		var s State
		if err := json.Unmarshal([]byte(body), &s); err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

// run streams to c for d while publish is called every interval.
func runStream(t *testing.T, c *tap, d, interval time.Duration, publish func(f *fake)) *Server {
	t.Helper()
	f := newFake("bench")
	s := newServer(t, Config{}, f)
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.stream(ctx, c, s.stations[0], View{Scale: Scales[0]})
	}()
	for pause(ctx, interval) {
		publish(f)
	}
	<-done // ends with its context, and leaves nothing behind in the bubble
	return s
}

func TestStreamHoldsToTenASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c tap
		s := runStream(t, &c, 10*time.Second, 10*time.Millisecond, func(f *fake) { f.set(turning()) })
		got := c.states(t)
		if n := len(got); n < 95 || n > 101 {
			t.Errorf("%d states in 10 s, want about 100", n)
		}
		for i := 2; i < len(got); i++ {
			if gap := c.at[i].Sub(c.at[i-1]); gap < streamEvery {
				t.Fatalf("state %d came after %v", i, gap)
			}
			if got[i].Serial < got[i-1].Serial+9 {
				t.Fatalf("state %d is not the newest: %d after %d", i, got[i].Serial, got[i-1].Serial)
			}
		}
		if v := skipped(t, s); v != 0 {
			t.Errorf("%g skipped for a quick client", v)
		}
	})
}

// A slow client loses states, sees the newest, and is counted; the station is
// never held up, which the publishing loop would show by falling behind.
func TestSlowClientSkips(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := tap{slow: 950 * time.Millisecond}
		published := 0
		s := runStream(t, &c, 10*time.Second, 100*time.Millisecond, func(f *fake) { published++; f.set(turning()) })
		got := c.states(t)
		if len(got) < 8 || len(got) > 11 {
			t.Errorf("%d states reached a client that takes one a second", len(got))
		}
		if published < 99 {
			t.Errorf("only %d snapshots were published: the client held the station up", published)
		}
		if last := got[len(got)-1].Serial; last < uint64(published)-12 {
			t.Errorf("the client sees snapshot %d of %d", last, published)
		}
		if v := skipped(t, s); v < 80 || v > 110 {
			t.Errorf("%g skipped, want about 90", v)
		}
	})
}

func TestStreamBeatsWhileNothingIsNew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c tap
		first := true
		runStream(t, &c, 21*time.Second, time.Second, func(f *fake) {
			if first {
				f.set(turning())
				first = false
			}
		})
		beats := 0
		for _, e := range c.events {
			if strings.HasPrefix(e, "event: beat\n") {
				beats++
			}
		}
		if beats < 8 {
			t.Errorf("%d signs of life in 20 s", beats)
		}
	})
}

func TestStreamEndsWithItsClient(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake("bench")
		f.set(turning())
		s := newServer(t, Config{}, f)
		s.stream(t.Context(), &tap{refuses: errors.New("gone")}, s.stations[0], View{Scale: Scales[0]})
	})
}

func TestTooManyStreamsAreRefused(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	s := newServer(t, Config{}, f)
	for range maxStreams {
		if !s.seats.take() {
			t.Fatal("no seat although some are free")
		}
	}
	w := send(s, "GET", home+"/api/v1/stations/bench/events", "")
	if w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "limit") || w.Header().Get("Retry-After") == "" {
		t.Errorf("one too many: %d %s", w.Code, w.Body)
	}
	s.seats.leave()
	if s.seats.taken() != maxStreams-1 {
		t.Errorf("%d seats taken", s.seats.taken())
	}
}

// Twenty browsers of one view cost one encoding.
func TestEventsAreEncodedOnce(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	s := newServer(t, Config{}, f)
	st, made := s.stations[0], 0
	for range 20 {
		st.cache.event(f.Latest(), View{Scale: Scales[0]}, func() State { made++; return State{} })
	}
	st.cache.event(f.Latest(), View{Scale: Scales[1]}, func() State { made++; return State{} })
	f.set(turning())
	st.cache.event(f.Latest(), View{Scale: Scales[0]}, func() State { made++; return State{} })
	if made != 3 {
		t.Errorf("%d encodings, want 3", made)
	}
}

func TestTrendKeepsTheLastMinutes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake("bench")
		s := newServer(t, Config{Now: time.Now}, f)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { s.Run(ctx); close(done) }()
		for range 10 * (trendLen + 30) {
			snap := turning()
			snap.At = time.Now()
			f.set(snap)
			pause(ctx, 100*time.Millisecond)
		}
		cancel()
		<-done
		all := getJSON[Trend](t, s, "/api/v1/stations/bench/trend")
		if len(all.Unix) != trendLen || len(all.Channels) != 5 || len(all.Channels[0].X) != trendLen {
			t.Fatalf("%d points, %d channels", len(all.Unix), len(all.Channels))
		}
		if span := all.Unix[trendLen-1] - all.Unix[0]; !(span > trendLen-3 && span < trendLen+3) {
			t.Errorf("the points span %g s", span)
		}
		if v := *all.Channels[0].Amplitude[0]; !(v > 4.80 && v < 4.82) {
			t.Errorf("amplitude %g", v)
		}
		f.set(turning())
		s.stations[0].trend.add(f.Latest())
		news := getJSON[Trend](t, s, "/api/v1/stations/bench/trend?from="+jsonNumber(all.Next))
		if len(news.Unix) != 1 || news.Next != all.Next+1 {
			t.Errorf("%d new points, next %d after %d", len(news.Unix), news.Next, all.Next)
		}
	})
}

func jsonNumber(n uint64) string { b, _ := json.Marshal(n); return string(b) }

func skipped(t *testing.T, s *Server) float64 {
	t.Helper()
	var m dto.Metric
	if err := s.meters.skipped.Write(&m); err != nil {
		t.Fatal(err)
	}
	return m.GetCounter().GetValue()
}
