package hil

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"path/filepath"
	"sync/atomic"
	"syscall"

	"counterpoise/internal/rig"
)

// Front is the analog chain of board A's drawing: what reaches a converter pin.
const (
	Bias     = 2.5                  // V at rest
	PerMS2   = 5.0 / 1024 / 0.01596 // V per m/s^2, the inverse of the scale that the firmware states
	channels = 3
	chunk    = 64 // plant samples handed over at once
)

// Plant lets a virtual fan drive the emulator's pins: its accelerations become
// volts, its tach edges edges. The rig must not be on a wire. The plant's clock
// is the emulator's: it lives as fast as the emulator asks.
type Plant struct {
	Rig  *rig.Rig
	Pins [channels]int // which of the rig's channels is wired to which pin
	// Tee is handed every recording as it goes to the emulator; nil = nobody
	// looks. It is called by Feed and must not keep r.
	Tee func(r *rig.Recording)

	listener net.Listener
	samples  atomic.Uint64
}

// Listen makes the socket in dir and returns the option that leads the emulator there.
func (p *Plant) Listen(dir string) (option []string, err error) {
	path := filepath.Join(dir, "plant.sock")
	if p.listener, err = net.Listen("unix", path); err != nil {
		return nil, fmt.Errorf("make the plant's socket: %w", err)
	}
	return []string{"--plant", path}, nil
}

// Samples is how many samples of the plant have been lived.
func (p *Plant) Samples() uint64 { return p.samples.Load() }

// Feed hands over volts until ctx ends or the emulator leaves; neither is an error.
func (p *Plant) Feed(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() { p.listener.Close() })
	defer stop()
	defer p.listener.Close()
	conn, err := p.listener.Accept()
	if err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	defer conn.Close()
	hangUp := context.AfterFunc(ctx, func() { conn.Close() })
	defer hangUp()
	err = p.feed(conn)
	if ctx.Err() != nil || errors.Is(err, syscall.EPIPE) || errors.Is(err, syscall.ECONNRESET) {
		return nil
	}
	return err
}

func (p *Plant) feed(conn io.Writer) error {
	w := bufio.NewWriterSize(conn, 1<<14)
	begun := false
	last := math.Inf(-1)
	var n uint64
	for {
		rec, err := p.Rig.Record(chunk)
		if err != nil {
			return err
		}
		if p.Tee != nil {
			p.Tee(rec)
		}
		if !begun {
			begun = true
			w.WriteByte('H')
			put(w, 1/rec.Rate)
			for _, c := range p.Pins {
				put(w, rec.Delay[c])
			}
		}
		for _, pos := range rec.Edges {
			at := (float64(n)+pos)/rec.Rate - rec.TachDelay
			if at <= last || at <= 0 {
				continue // of before a skip of the plant's time
			}
			last = at
			w.WriteByte('E')
			put(w, at)
		}
		for i := range chunk {
			w.WriteByte('S')
			for _, c := range p.Pins {
				binary.Write(w, binary.LittleEndian, float32(Bias+PerMS2*rec.Samples[c][i]))
			}
		}
		n += chunk
		p.samples.Store(n)
		if err := w.Flush(); err != nil {
			return err
		}
	}
}

// put writes one number; the writer keeps the first error for Flush.
func put(w *bufio.Writer, v float64) { binary.Write(w, binary.LittleEndian, v) }
