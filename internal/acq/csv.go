package acq

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

// csvTable reads numbers separated by commas, semicolons or tabs. With
// semicolons or tabs a comma may stand for the decimal point. Lines that begin
// with # are skipped.
type csvTable struct {
	name    string
	in      *counter
	closer  io.Closer
	rows    *csv.Reader
	comma   bool // decimal comma
	names   []string
	pending []string // first row, when it holds numbers
	time    int      // column of times, -1 = none
	clock   csvClock
	row     []float32 // of one instant, kept when a hole stands before it
	kept    bool
	hole    uint64
	started bool
	last    float64
}

// counter counts what is read through it.
type counter struct {
	r io.Reader
	n uint64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += uint64(n)
	return n, err
}

// newCSV reads up to the first row of numbers. header is the number of lines
// before it, the last of which names the columns; -1 = look.
func newCSV(name string, in io.Reader, closer io.Closer, header int) (*csvTable, error) {
	t := &csvTable{name: name, in: &counter{r: in}, closer: closer, time: -1}
	buf := bufio.NewReaderSize(t.in, 1<<16)
	if bom, _ := buf.Peek(3); bytes.Equal(bom, []byte("\xEF\xBB\xBF")) {
		buf.Discard(3)
	} else if len(bom) >= 2 && (bytes.Equal(bom[:2], []byte("\xff\xfe")) || bytes.Equal(bom[:2], []byte("\xfe\xff"))) {
		return nil, fmt.Errorf("%s: is a text in UTF-16, so no number in it can be read: save or export it as UTF-8", name)
	}
	for range header - 1 {
		if _, err := buf.ReadString('\n'); err != nil {
			return nil, fmt.Errorf("%s: ends within the %d header lines", name, header)
		}
	}
	peek, _ := buf.Peek(4096)
	t.rows = csv.NewReader(buf)
	t.rows.Comma, t.comma = separator(peek)
	t.rows.Comment, t.rows.ReuseRecord, t.rows.FieldsPerRecord, t.rows.TrimLeadingSpace = '#', true, -1, t.rows.Comma != '\t'
	first, err := t.rows.Read()
	if err == io.EOF {
		return nil, fmt.Errorf("%s: holds no numbers at all, so nothing can be measured: look whether the export went wrong or this is another file", name)
	}
	if err != nil {
		return nil, t.malformed(err)
	}
	isNames := header > 0 || header < 0 && !slices.ContainsFunc(first, t.isNumber)
	for i, f := range first {
		if isNames {
			t.names = append(t.names, strings.TrimSpace(f))
		} else {
			t.names = append(t.names, strconv.Itoa(i))
		}
	}
	if !isNames {
		t.pending = slices.Clone(first)
	}
	t.row = make([]float32, len(t.names))
	return t, nil
}

// separator looks at the first lines of a file: the one of tab, semicolon and
// comma that is there first in this order.
func separator(peek []byte) (rune, bool) {
	for line := range bytes.Lines(peek) {
		if bytes.HasPrefix(line, []byte("#")) {
			continue
		}
		for _, c := range "\t;" {
			if bytes.ContainsRune(line, c) {
				return c, true
			}
		}
		break
	}
	return ',', false
}

func (t *csvTable) isNumber(s string) bool {
	_, err := t.number(s)
	return err == nil
}

func (t *csvTable) number(s string) (float64, error) {
	s = strings.TrimSpace(s)
	if t.comma && strings.IndexByte(s, ',') >= 0 {
		s = strings.Replace(s, ",", ".", 1)
	}
	return strconv.ParseFloat(s, 64)
}

// malformed names the line and column at which encoding/csv gave up.
func (t *csvTable) malformed(err error) error {
	if p, ok := errors.AsType[*csv.ParseError](err); ok {
		return fmt.Errorf("%s: line %d, column %d: %v; the file cannot be measured until that line is mended", t.name, p.Line, p.Column, p.Err)
	}
	return fmt.Errorf("%s: %w", t.name, err)
}

func (t *csvTable) columns() []string { return t.names }
func (t *csvTable) bytes() uint64     { return t.in.n }
func (t *csvTable) Close() error      { return t.closer.Close() }

// next reads one row into t.row and the time into t.last; hole is the number of
// instants missing before it.
func (t *csvTable) next() (hole uint64, err error) {
	fields := t.pending
	if t.pending = nil; fields == nil {
		if fields, err = t.rows.Read(); err != nil {
			if err == io.EOF {
				return 0, err
			}
			return 0, t.malformed(err)
		}
	}
	if len(fields) != len(t.names) {
		line, _ := t.rows.FieldPos(0)
		return 0, fmt.Errorf("%s: line %d has %d columns where %d are expected; mend or remove that line", t.name, line, len(fields), len(t.names))
	}
	before := t.last
	for i, f := range fields {
		v, err := t.number(f)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			line, _ := t.rows.FieldPos(i)
			return 0, fmt.Errorf("%s: line %d, column %d (%s): %q is not a number, so this sample is unknown; mend or remove that line", t.name, line, i+1, t.names[i], f)
		}
		t.row[i] = float32(v)
		if i == t.time {
			t.last = v * t.clock.unit
		}
	}
	if t.started && t.time >= 0 {
		line, _ := t.rows.FieldPos(t.time)
		hole, err = t.clock.hole(before, t.last)
		if err != nil {
			return 0, fmt.Errorf("%s: line %d, column %d (%s): %w", t.name, line, t.time+1, t.names[t.time], err)
		}
	}
	t.started = true
	return hole, nil
}

func (t *csvTable) read(dst [][]float32) (n int, hole uint64, err error) {
	for n < len(dst[0]) {
		if !t.kept {
			if t.hole, err = t.next(); err != nil {
				if n > 0 && err == io.EOF {
					return n, hole, nil
				}
				return 0, 0, err
			}
		}
		t.kept = false
		if t.hole > 0 && n > 0 {
			t.kept = true // belongs to the next read
			return n, hole, nil
		}
		hole += t.hole
		for c, v := range t.row {
			dst[c][n] = v
		}
		n++
	}
	return n, hole, nil
}
