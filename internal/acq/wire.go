package acq

import (
	"fmt"

	"counterpoise/internal/acq/tickline"
)

// wire turns bytes into blocks: decoder, assembler and what they count. It has
// no goroutine and no clock.
type wire struct {
	dec    tickline.Decoder
	asm    assembler
	counts Counts
	good   uint64 // frames of a board that introduced itself, the sign that it is alive
	other  uint8  // protocol version of a greeting that was refused
	said   uint16 // frames written to the board
}

func newWire(w *word) *wire {
	return &wire{asm: assembler{word: w}, counts: newCounts()}
}

// feed takes bytes until b is filled or p is used up, and says how many it took.
func (w *wire) feed(p []byte, b *Block) (n int, filled bool, err error) {
	for n < len(p) && !filled && err == nil {
		taken, f, why := w.dec.Decode(p[n:])
		n += taken
		w.counts.Bytes += uint64(taken)
		switch {
		case f != nil:
			w.counts.Frames++
			filled, err = w.asm.frame(f, b, &w.counts)
			if w.asm.greeted {
				w.good++
			}
		case why != tickline.OK:
			w.refuse(why)
		}
	}
	return n, filled, err
}

func (w *wire) refuse(why tickline.Reason) {
	w.counts.Refused[why.String()]++
	w.counts.SkippedBytes += uint64(w.dec.Wire())
	if why == tickline.WrongVersion {
		w.other = w.dec.OtherVersion()
	}
}

// cut forgets an unfinished frame and marks the link as lost.
func (w *wire) cut() {
	w.counts.SkippedBytes += uint64(w.dec.Pending())
	w.dec.Reset()
	w.asm.lost()
}

// deliver counts a block that reaches the reader.
func (c *Counts) deliver(b *Block) {
	c.Samples += uint64(b.Len())
	c.Edges += uint64(len(b.Edges))
	if b.Gap != NoLoss {
		c.Gaps[b.Gap.String()]++
	}
}

func (w *wire) setup() *Setup  { return w.asm.setup }
func (w *wire) greeted() bool  { return w.asm.greeted }
func (w *wire) alive() uint64  { return w.good }
func (w *wire) total() *Counts { return &w.counts }

// hello asks for a greeting and for data. The 00 before it ends whatever the
// board may have received of an earlier session.
func (w *wire) hello() []byte {
	msg := tickline.AppendCommand([]byte{0}, w.seq(), tickline.Command{Type: tickline.TypeAsk})
	return tickline.AppendCommand(msg, w.seq(), tickline.Command{Type: tickline.TypeStart})
}

func (w *wire) puzzle() string {
	switch {
	case w.other != 0:
		return otherVersion("the board", w.other).Error()
	case w.counts.Refused[Echo] > 0:
		return "only our own words come back: the far side echoes; its program is not running, or its line is not in raw mode"
	case w.counts.Refused[NoGreeting] > 0:
		return "the board does not answer when it is asked to introduce itself, so what its numbers mean is unknown: check the wire from the host to the board"
	}
	return "none of them make a frame, so there are no readings: the speed is wrong (add baud=), or it is no counterpoise board (a sketch that prints numbers needs mode=lines)"
}

// fatal is a board of another protocol version: waiting does not help.
func (w *wire) fatal() error {
	if w.other == 0 {
		return nil
	}
	return otherVersion("the board at "+w.asm.word.full, w.other)
}

func (w *wire) flush() { w.counts.SkippedBytes += uint64(w.dec.Pending()) }

func (w *wire) empty() string {
	if w.asm.setup == nil {
		return fmt.Sprintf("none of its %d bytes introduces a board, so what the numbers mean is unknown; it is no recording of ours, or it was cut at the beginning", w.counts.Bytes)
	}
	return "a board introduces itself, but no samples follow; start the board and record again"
}
