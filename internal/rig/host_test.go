package rig

import (
	"context"
	"io"
	"net"
	"os"
	"runtime"
	"testing"
	"time"

	"counterpoise/internal/acq/tickline"
)

// host is the other end of the wire, as simple as can be.
type host struct {
	t       testing.TB
	conn    io.ReadWriteCloser
	d       tickline.Decoder
	p       []byte
	buf     [4096]byte
	seq     uint16
	refused map[tickline.Reason]int
	bytes   int
}

func newHost(t testing.TB, conn io.ReadWriteCloser) *host {
	return &host{t: t, conn: conn, refused: map[tickline.Reason]int{}}
}

func (h *host) say(typ tickline.Type, period uint32) {
	h.t.Helper()
	if _, err := h.conn.Write(tickline.AppendCommand(nil, h.seq, tickline.Command{Type: typ, PeriodTicks: period})); err != nil {
		h.t.Fatal(err)
	}
	h.seq++
}

// next is the next good frame, nil at the end of the connection.
func (h *host) next() *tickline.Frame {
	for {
		for len(h.p) > 0 {
			n, f, why := h.d.Decode(h.p)
			h.p = h.p[n:]
			if f != nil {
				return f
			}
			if why != tickline.OK {
				h.refused[why]++
			}
		}
		n, err := h.conn.Read(h.buf[:])
		h.bytes += n
		h.p = h.buf[:n]
		if n == 0 && err != nil {
			return nil
		}
	}
}

func (h *host) until(typ tickline.Type) *tickline.Frame {
	h.t.Helper()
	for {
		f := h.next()
		if f == nil {
			h.t.Fatalf("the board hung up while a frame %#x was awaited", typ)
		}
		if f.Type == typ {
			return f
		}
	}
}

// collect reads n data frames and checks that all numbers run on.
func (h *host) collect(n int) (samples, edges int) {
	h.t.Helper()
	var last tickline.Data
	for i := range n {
		f := h.until(tickline.TypeData)
		if d := f.Data; i > 0 {
			len32 := uint32(last.Len())
			if d.Sample != last.Sample+len32 || d.Tick != last.Tick+2500*len32 || d.Edge != last.Edge+uint16(len(last.Edges)) {
				h.t.Fatalf("frame %d does not follow: %+v after %+v", i, d, last)
			}
		}
		last = f.Data
		samples += f.Data.Len()
		edges += len(f.Data.Edges)
	}
	return samples, edges
}

// over is a rig served over a pipe, at that pace.
func over(t testing.TB, r *Rig, pace float64) *host {
	t.Helper()
	near, far := net.Pipe()
	ctx, cancel := context.WithCancel(context.Background())
	done, err := r.Serve(ctx, far)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetPace(pace); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); near.Close(); <-done })
	return newHost(t, near)
}

// dial opens the port as soon as it is there.
func dial(t *testing.T, path string) io.ReadWriteCloser {
	t.Helper()
	for end := time.Now().Add(5 * time.Second); time.Now().Before(end); runtime.Gosched() {
		if f, err := os.OpenFile(path, os.O_RDWR, 0); err == nil {
			return f
		}
	}
	t.Fatalf("%s never came back", path)
	return nil
}
