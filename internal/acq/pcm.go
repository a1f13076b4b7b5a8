package acq

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
)

// pcmFormat is how one number stands in a stream of interleaved samples.
type pcmFormat struct {
	name  string
	size  int     // bytes
	full  float64 // raw value of full scale; the sample becomes raw/full
	value func(b []byte) float64
}

// pcmFormats are all that a stream or a WAV file may hold. Integers become +-1
// of full scale.
var pcmFormats = []pcmFormat{
	{"u8", 1, 1 << 7, func(b []byte) float64 { return float64(b[0]) - 128 }},
	{"s16le", 2, 1 << 15, func(b []byte) float64 { return float64(int16(binary.LittleEndian.Uint16(b))) }},
	{"s24le", 3, 1 << 23, func(b []byte) float64 {
		return float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24) >> 8)
	}},
	{"s32le", 4, 1 << 31, func(b []byte) float64 { return float64(int32(binary.LittleEndian.Uint32(b))) }},
	{"s16be", 2, 1 << 15, func(b []byte) float64 { return float64(int16(binary.BigEndian.Uint16(b))) }},
	{"f32le", 4, 1, func(b []byte) float64 { return float64(math.Float32frombits(binary.LittleEndian.Uint32(b))) }},
	{"f64le", 8, 1, func(b []byte) float64 { return math.Float64frombits(binary.LittleEndian.Uint64(b)) }},
}

func pcmFormatOf(name string) (pcmFormat, bool) {
	i := slices.IndexFunc(pcmFormats, func(f pcmFormat) bool { return f.name == name })
	if i < 0 {
		return pcmFormat{}, false
	}
	return pcmFormats[i], true
}

func (f pcmFormat) isFloat() bool { return f.full == 1 }

// info of a stream in this format: full scale is 1, a step one count.
func (f pcmFormat) info(rate float64) tableInfo {
	i := tableInfo{rate: rate, fullScale: 1}
	if !f.isFloat() {
		i.step = 1 / f.full
	}
	return i
}

// pcmTable reads interleaved samples.
type pcmTable struct {
	name   string
	in     *counter
	closer io.Closer
	format pcmFormat
	names  []string
	frame  int // bytes of one instant
	buf    []byte
	bad    uint64 // instants read so far, for the place of a NaN
}

func newPCM(name string, in io.Reader, closer io.Closer, f pcmFormat, width int) *pcmTable {
	t := &pcmTable{name: name, in: &counter{r: in}, closer: closer, format: f, frame: f.size * width}
	for i := range width {
		t.names = append(t.names, strconv.Itoa(i))
	}
	return t
}

func (t *pcmTable) columns() []string { return t.names }
func (t *pcmTable) bytes() uint64     { return t.in.n }
func (t *pcmTable) Close() error      { return t.closer.Close() }

// read waits until dst is full or the stream ends. An instant that the end cuts
// through is left out.
func (t *pcmTable) read(dst [][]float32) (int, uint64, error) {
	if want := len(dst[0]) * t.frame; len(t.buf) != want {
		t.buf = make([]byte, want)
	}
	got, err := io.ReadFull(t.in, t.buf)
	if err != nil && err != io.ErrUnexpectedEOF {
		return 0, 0, err
	}
	n := got / t.frame
	if n == 0 {
		return 0, 0, io.EOF
	}
	for c := range t.names {
		at := c * t.format.size
		for i := range n {
			v := t.format.value(t.buf[i*t.frame+at:]) / t.format.full
			if v-v != 0 {
				return 0, 0, fmt.Errorf("%s: sample %d of channel %d is not a number; the recording is damaged there or is not %s", t.name, t.bad+uint64(i), c, t.format.name)
			}
			dst[c][i] = float32(v)
		}
	}
	t.bad += uint64(n)
	return n, 0, nil
}
