package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"sync"
	"time"

	"counterpoise/internal/station"
)

const (
	maxStreams     = 64                     // live pages at a time, all stations together
	streamEvery    = 100 * time.Millisecond // at most ten states a second
	streamBeat     = 2 * time.Second        // a sign of life while nothing is new
	streamPatience = 10 * time.Second       // after which a client that takes nothing is let go
)

// seats bounds the number of open streams.
type seats struct {
	mu   sync.Mutex
	free int
}

func (s *seats) take() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.free == 0 {
		return false
	}
	s.free--
	return true
}

func (s *seats) leave() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.free++
}

func (s *seats) taken() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maxStreams - s.free
}

// events streams the newest state as server-sent events: "state" carries a
// State, "beat" nothing but life. There is no queue: after each write the
// newest snapshot is taken and those in between are skipped and counted.
func (s *Server) events(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	if !s.seats.take() {
		w.Header().Set("Retry-After", "5")
		s.refuse(w, r, http.StatusServiceUnavailable, "seats", fmt.Sprintf(say("refused.seats"), maxStreams))
		return
	}
	defer s.seats.leave()
	w.Header().Set("Content-Type", "text/event-stream")
	s.stream(r.Context(), w, st, v)
}

func (s *Server) stream(ctx context.Context, w http.ResponseWriter, st *Station, v View) {
	rc := http.NewResponseController(w)
	rc.SetReadDeadline(time.Time{}) // the server's own deadline would end the stream
	var sent *station.Snapshot
	for first := true; ; first = false {
		snap, alive := newest(ctx, st, sent, first)
		if !alive {
			return
		}
		begun := time.Now()
		rc.SetWriteDeadline(begun.Add(s.patience))
		_, err := w.Write(s.eventFor(st, snap, sent, v))
		if err == nil {
			err = rc.Flush()
		}
		took := time.Since(begun)
		if late := int(took / streamEvery); late > 0 {
			s.meters.skipped.Add(float64(late)) // also of a client that is let go because it takes nothing
		}
		if err != nil {
			return
		}
		sent = snap
		if !pause(ctx, streamEvery-took) {
			return
		}
	}
}

// newest waits for something newer than sent, or for the next beat. The first
// event of a stream never waits.
func newest(ctx context.Context, st *Station, sent *station.Snapshot, first bool) (snap *station.Snapshot, alive bool) {
	if first {
		return st.Latest(), ctx.Err() == nil
	}
	var after uint64
	if sent != nil {
		after = sent.Serial
	}
	beat, cancel := context.WithTimeout(ctx, streamBeat)
	defer cancel()
	snap, err := st.Wait(beat, after)
	if err != nil {
		snap = sent
	}
	if err != nil && ctx.Err() == nil && beat.Err() == nil {
		pause(ctx, streamBeat) // the station has ended; the page is told by its link
	}
	return snap, ctx.Err() == nil
}

func (s *Server) eventFor(st *Station, snap, sent *station.Snapshot, v View) []byte {
	if snap == sent && snap != nil {
		return []byte("event: beat\ndata: {}\n\n")
	}
	return st.cache.event(snap, v, func() State { return stateOf(st, snap, v, s.askOf(st), s.now()) })
}

// pause waits for d and reports whether ctx still lives.
func pause(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// cache holds the newest event of a station for each view, so that twenty
// browsers cost one encoding.
type cache struct {
	mu   sync.Mutex
	made map[View]cached
}

type cached struct {
	snap  *station.Snapshot
	event []byte
}

// event returns the encoded event of snap. Its bytes are never altered.
func (c *cache) event(snap *station.Snapshot, v View, build func() State) []byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	if got, ok := c.made[v]; ok && got.snap == snap {
		return got.event
	}
	var b bytes.Buffer
	b.WriteString("event: state\ndata: ")
	if err := json.NewEncoder(&b).Encode(build()); err != nil { // ends in a newline, contains no other
		return []byte(": " + err.Error() + "\n\n")
	}
	b.WriteString("\n")
	if c.made == nil {
		c.made = map[View]cached{}
	}
	c.made[v] = cached{snap, b.Bytes()}
	return b.Bytes()
}
