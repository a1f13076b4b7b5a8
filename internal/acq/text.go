package acq

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// text is a framer for plain lines (hw/PROTOCOL.md, section 8): time, values;
// and "T, time" for tach edges. The times are taken by a program, so they
// jitter: a slow filter lays an even grid through them, from which the samples
// of a block are dated.
type text struct {
	word   *word
	counts Counts
	good   uint64
	err    error

	line   []byte // unfinished
	length int    // of it, with what was not kept
	long   bool   // the line is too long and will be refused
	skip   bool   // the next line was cut by the opening of the port
	first  bool   // no sample has been seen yet: # lines may set options

	unit   float64 // s per unit of time
	raw    uint64  // newest whole time, unwrapped
	shift  float64 // s added since the board began anew
	newest float64 // newest time, s

	columns   int
	su        *Setup
	picks     []int // value column of each channel, 0 = first after the time
	tach      int   // value column of a sampled tach, -1 = none
	thresh    threshold
	rows      []textRow // waiting to become blocks
	edges     []waitingEdge
	edge      uint64 // running number of the next edge
	seen      bool   // an edge was seen
	lostEdges uint64
	ended     bool

	step    float64 // s from sample to sample
	size    int     // samples in a block
	grid    float64 // s, where the next sample is expected
	sample  uint64
	pending Loss
	began   bool
	tachBuf []float32
}

// textRow is one sample line.
type textRow struct {
	time   float64 // s
	fresh  bool    // the board began anew, or the link was lost, before it
	values []float64
}

const (
	learnRows  = 64   // before the rate is known
	longLine   = 1000 // bytes; no sketch prints more on purpose
	gridPull   = 0.1  // share of a sample's error by which the grid follows; our choice
	blockParts = 20   // blocks a second
)

func newText(w *word) (*text, error) {
	t := &text{word: w, counts: newCounts(), tach: -1, first: true, skip: true}
	for _, key := range []string{"rate", "time_unit", "channels", "tach", "threshold", "edge", "pulses", "tach_delay", "tach_angle"} {
		w.take(key)
	}
	if _, err := w.number("rate", 0, 1e-3, 1e6); err != nil {
		return nil, err
	}
	return t, nil
}

func (t *text) greeted() bool  { return t.su != nil }
func (t *text) setup() *Setup  { return t.su }
func (t *text) alive() uint64  { return t.good }
func (t *text) total() *Counts { return &t.counts }
func (t *text) hello() []byte  { return nil }
func (t *text) fatal() error   { return t.err }

func (t *text) puzzle() string {
	return "none of the lines is a sample (time,value,...) or a tach edge (T,time), so there are no readings: the speed is wrong (add baud=), or the sketch prints something else"
}

// cut drops what was unfinished when the link was lost.
func (t *text) cut() {
	t.counts.SkippedBytes += uint64(t.length)
	t.line, t.length, t.long, t.skip = t.line[:0], 0, false, true
	if t.began || len(t.rows) > 0 {
		t.pending = LinkDown
	}
}

// feed takes bytes line by line until a block is filled.
func (t *text) feed(p []byte, b *Block) (n int, filled bool, err error) {
	for {
		if filled = t.emit(b); filled || t.err != nil || n == len(p) {
			return n, filled, t.err
		}
		end := bytes.IndexByte(p[n:], '\n')
		part := p[n:]
		if end >= 0 {
			part = p[n : n+end]
		}
		t.length += len(part)
		if len(t.line)+len(part) > longLine {
			t.long, part = true, nil
		}
		t.line = append(t.line, part...)
		if end < 0 {
			t.counts.Bytes += uint64(len(p) - n)
			return len(p), false, nil
		}
		t.counts.Bytes += uint64(end + 1)
		n += end + 1
		t.endLine()
	}
}

func (t *text) endLine() {
	line, length := strings.TrimSpace(string(t.line)), t.length
	bad := t.long || t.skip
	t.line, t.length, t.long, t.skip = t.line[:0], 0, false, false
	switch {
	case bad:
	case line == "":
		return
	case line[0] == '#':
		if t.first {
			t.options(line[1:])
		}
		return
	case t.parse(line):
		t.counts.Frames++
		t.good++
		return
	}
	t.counts.Refused[BadLine]++
	t.counts.SkippedBytes += uint64(length + 1)
}

// options takes "key=value key=value" from a comment, where the word is silent.
func (t *text) options(s string) {
	for f := range strings.FieldsSeq(s) {
		key, value, ok := strings.Cut(f, "=")
		if _, own := t.word.args[key]; ok && !own && calibration(key) {
			t.word.args[key] = value
		}
	}
}

func isSeparator(r rune) bool { return r == ',' || r == ';' || r == '\t' || r == ' ' }

func (t *text) parse(line string) bool {
	fields := strings.FieldsFunc(line, isSeparator)
	if len(fields) < 2 {
		return false
	}
	if t.first {
		u, err := t.word.choice("time_unit", "us", "s", "ms", "ns")
		if err != nil {
			t.err = err
			return false
		}
		t.unit = timeUnits[u]
	}
	if fields[0] == "T" {
		return t.edgeLine(fields[1:])
	}
	values := make([]float64, len(fields))
	for i, f := range fields {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil || v-v != 0 {
			return false
		}
		values[i] = v
	}
	if t.first {
		t.columns, t.first = len(fields), false
	}
	if len(fields) != t.columns {
		return false
	}
	at, anew, ok := t.date(fields[0], true)
	if ok {
		fresh := anew && len(t.rows)+int(min(t.sample, 1)) > 0
		t.rows = append(t.rows, textRow{at, fresh, values[1:]})
	}
	return ok
}

// date reads a time and unwraps it. anew says that time went back, so that the
// board began anew: later times are shifted to go on rising.
func (t *text) date(s string, sample bool) (at float64, anew, ok bool) {
	if whole, err := strconv.ParseUint(s, 10, 64); err == nil {
		if whole < 1<<32 {
			whole = nearest(whole, 32, t.raw)
		}
		if sample || whole > t.raw {
			t.raw = whole
		}
		at = float64(whole) * t.unit
	} else if at, err = strconv.ParseFloat(s, 64); err == nil && at-at == 0 && at >= 0 {
		at *= t.unit
	} else {
		return 0, false, false
	}
	at += t.shift
	if !sample {
		return at, false, true
	}
	if at < t.newest-1e-3 { // more than a millisecond back is no jitter
		t.shift += t.newest - at + 1
		at, anew = t.newest+1, true
	}
	t.newest = max(t.newest, at)
	return at, anew, true
}

func (t *text) edgeLine(fields []string) bool {
	at, _, ok := t.date(fields[0], false)
	if !ok {
		return false
	}
	if len(fields) > 1 {
		n, err := strconv.ParseUint(fields[1], 10, 64)
		if err != nil {
			return false
		}
		if t.seen && n > t.edge {
			t.lostEdges += n - t.edge
			t.counts.LostEdges += n - t.edge
		}
		if !t.seen || n > t.edge {
			t.edge = n
		}
	}
	tick := int64(math.Round(at * textHz))
	if k := len(t.edges); k > 0 && tick <= t.edges[k-1].tick {
		t.counts.Refused[EdgeOrder]++
		return true
	}
	t.edges = append(t.edges, waitingEdge{tick, t.edge})
	t.edge++
	if t.seen = true; t.su != nil && !t.su.HasTach {
		with := *t.su
		with.HasTach = true
		t.su = &with
	}
	return true
}

// textHz is the tick of a text source: times are kept to a tenth of a
// microsecond.
const textHz = 1e7

// flush takes a last line without an end, and lets the last rows go.
func (t *text) flush() {
	if len(t.line) > 0 {
		t.endLine()
	}
	t.ended = true
}

func (t *text) empty() string {
	return fmt.Sprintf("none of its %d bytes make two samples (time,value,...), so nothing can be measured; see the plain text lines in hw/PROTOCOL.md", t.counts.Bytes)
}
