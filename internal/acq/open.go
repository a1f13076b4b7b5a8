package acq

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// Options are what a source needs beside its word. The zero value will do.
type Options struct {
	Log   *slog.Logger // changes of state; nil = silence
	Stdin io.Reader    // for the source "-"; nil = os.Stdin

	// Wait makes a live source keep trying when even the first opening fails,
	// and never give up on a board that does not greet: right for a daemon,
	// wrong for a command that somebody waits for.
	Wait bool
	// Patience is how long Next waits for the first good greeting before it
	// gives up with the reason (not with Wait); 0 = 6 s.
	Patience time.Duration
	// Queue is the number of blocks a live source keeps for a reader that lags;
	// 0 = 256.
	Queue int
	// Hold makes a live source wait for a reader that lags instead of dropping
	// blocks: right for the virtual fan that outruns the clock and waits for its
	// host, wrong for a real board, whose bytes would then be lost on the wire.
	Hold bool
	// Tap is handed every byte from the wire, as it came, before it is
	// looked at, and a mark wherever the link was lost. It is called by the
	// reading goroutine, must not keep p, and must not wait. A Recorder has one.
	Tap func(p []byte)
}

func (o Options) log() *slog.Logger {
	if o.Log == nil {
		return slog.New(slog.DiscardHandler)
	}
	return o.Log
}

// Open opens a SOURCE word: serial:PORT, tcp:HOST:PORT, file:NAME or - with
// options as the README lists them. The error is one sentence for a person.
func Open(source string, o Options) (Source, error) {
	w, err := parseWord(source)
	if err != nil {
		return nil, err
	}
	switch w.kind {
	case "file":
		return openFile(w, o)
	case "-":
		return openStdin(w, o)
	}
	return openLive(w, o)
}

// OpenGiven opens a recording whose bytes are at hand: name tells what it is and
// stands in errors, options are what follows the ? of a SOURCE word. No file of
// that name is looked for. The source owns in and closes it, also on an error.
func OpenGiven(name, options string, in io.ReadSeekCloser, o Options) (Source, error) {
	source := "file:" + escape(name)
	if options != "" {
		source += "?" + options
	}
	w, err := parseWord(source)
	if err == nil {
		var s Source
		s, err = openStream(w, o, stream{Reader: in, Closer: in, rewind: func() error { _, err := in.Seek(0, io.SeekStart); return err }})
		if err == nil {
			return s, nil
		}
	}
	in.Close()
	return nil, err
}

func openFile(w *word, o Options) (Source, error) {
	f, err := os.Open(w.path)
	if err != nil {
		return nil, fmt.Errorf("%w: check the name that follows file", err)
	}
	if st, err := f.Stat(); err == nil && st.IsDir() {
		f.Close()
		return nil, fmt.Errorf("%s is a directory, not a recording", w.path)
	}
	s, err := openStream(w, o, stream{Reader: f, Closer: f, rewind: func() error { _, err := f.Seek(0, io.SeekStart); return err }})
	if err != nil {
		f.Close()
	}
	return s, err
}

// stream is a file or standard input.
type stream struct {
	io.Reader
	io.Closer
	rewind func() error // nil where it cannot be
}

// formats by which a file name or &format= tells what the bytes are.
const (
	formatTake   = "take"
	formatFrames = "frames"
	formatWAV    = "wav"
	formatCSV    = "csv"
	formatLines  = "lines"
)

// openStream finds out what a file holds: by &mode=lines, &format=, its first
// bytes, or its name.
func openStream(w *word, o Options, s stream) (Source, error) {
	mode, err := w.choice("mode", formatFrames, formatLines)
	if err != nil {
		return nil, err
	}
	format, told := w.take("format")
	if mode == formatLines {
		format = formatLines
	} else if !told {
		format = strings.ToLower(strings.TrimPrefix(filepath.Ext(w.path), "."))
	}
	switch format {
	case formatTake:
		return openTake(w, o, s)
	case formatLines:
		return openLines(w, o, s)
	case formatWAV, "wave":
		return openWAV(w, s)
	case formatCSV, "tsv", "txt":
		return openCSV(w, s)
	}
	if f, ok := pcmFormatOf(format); ok {
		return openPCM(w, s, f)
	}
	if !told && w.kind == "-" {
		return openTake(w, o, s)
	}
	var names []string
	for _, f := range pcmFormats {
		names = append(names, f.name)
	}
	return nil, fmt.Errorf("source %q: what is in it cannot be told from %q; add format=take, wav, csv, %s, or mode=lines", w.full, format, strings.Join(names, ", "))
}

// openStdin reads standard input: frames or a take unless format= or mode= say
// otherwise.
func openStdin(w *word, o Options) (Source, error) {
	in := o.Stdin
	if in == nil {
		in = os.Stdin
	}
	src, err := openStream(w, o, stream{Reader: in, Closer: io.NopCloser(in)})
	if err != nil {
		return nil, err
	}
	if d, ok := in.(interface{ SetReadDeadline(time.Time) error }); ok {
		return &interruptible{src, d.SetReadDeadline}, nil
	}
	return src, nil
}

// interruptible wakes a read of standard input when the context ends, where the
// input is a pipe or a terminal that the system can wait on.
type interruptible struct {
	Source
	deadline func(time.Time) error
}

func (s *interruptible) Next(ctx context.Context) (*Block, error) {
	stop := context.AfterFunc(ctx, func() { s.deadline(time.Unix(1, 0)) })
	defer stop()
	return s.Source.Next(ctx)
}

func openWAV(w *word, s stream) (Source, error) {
	h, err := readWAV(w.path, s.Reader)
	if err != nil {
		return nil, err
	}
	in := s.Reader
	if h.bytes >= 0 {
		in = io.LimitReader(in, h.bytes)
	}
	return newSampled(w, newPCM(w.path, in, s.Closer, h.format, h.width), h.format.info(h.rate))
}

func openPCM(w *word, s stream, f pcmFormat) (Source, error) {
	rate, err := w.number("rate", 0, 1, 1e7)
	if err != nil {
		return nil, err
	}
	width, err := w.integer("width", 1, 1, maxWidth)
	if err != nil {
		return nil, err
	}
	if rate == 0 {
		return nil, fmt.Errorf("source %q: format=%s does not say how fast it was sampled; add rate= (samples per second)", w.full, f.name)
	}
	return newSampled(w, newPCM(w.full, s.Reader, s.Closer, f, width), f.info(rate))
}

func openCSV(w *word, s stream) (Source, error) {
	rate, err := w.number("rate", 0, 1e-3, 1e7)
	if err != nil {
		return nil, err
	}
	unit, err := w.choice("time_unit", "s", "ms", "us", "ns")
	if err != nil {
		return nil, err
	}
	header, err := w.integer("header", -1, 0, 1000)
	if err != nil {
		return nil, err
	}
	timeColumn, timed := w.take("time")
	if !timed && rate == 0 {
		return nil, fmt.Errorf("source %q does not say how fast it was sampled; add rate= (samples per second) or time= (the column of times) with time_unit=", w.full)
	}
	name := w.path
	if w.kind == "-" {
		name = "standard input"
	}
	if timed && rate == 0 && s.rewind == nil {
		if s, err = held(s); err != nil {
			return nil, fmt.Errorf("read %s: %w", name, err)
		}
	}
	t, err := newCSV(name, s.Reader, s.Closer, header)
	if err != nil {
		return nil, err
	}
	if !timed {
		return newSampled(w, t, tableInfo{rate: rate})
	}
	c, err := column(w, t.names, timeColumn)
	if err != nil || rate > 0 {
		if err != nil {
			return nil, err
		}
		return newSampled(w, t, tableInfo{rate: rate}, c)
	}
	t.time = c
	if err := t.judge(unit); err != nil {
		return nil, err
	}
	if err := s.rewind(); err != nil {
		return nil, fmt.Errorf("read %s again: %w", name, err)
	}
	again, err := newCSV(name, s.Reader, s.Closer, header)
	if err != nil {
		return nil, err
	}
	again.time, again.clock = t.time, t.clock
	return newSampled(w, again, tableInfo{rate: round(1 / t.clock.step), notes: t.clock.notes}, c)
}

// round takes the noise of decimal fractions off a rate: 25000.0000001.
func round(rate float64) float64 {
	if r := math.Round(rate); math.Abs(rate-r) < 1e-9*rate {
		return r
	}
	return rate
}

// held reads a stream to its end, so that it can be read twice.
func held(s stream) (stream, error) {
	all, err := io.ReadAll(s.Reader)
	r := bytes.NewReader(all)
	return stream{r, s.Closer, func() error { _, err := r.Seek(0, io.SeekStart); return err }}, err
}
