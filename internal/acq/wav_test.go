package acq

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"
)

// TestWAVByOthers reads files written by scipy 1.10.1 and Python's wave module
// (testdata/wav/make.py), and by go-audio/wav.
func TestWAVByOthers(t *testing.T) {
	goAudio := filepath.Join(t.TempDir(), "go-audio.wav")
	writeGoAudio(t, goAudio)
	for name, bits := range map[string]float64{
		"testdata/wav/u8.wav": 7, "testdata/wav/s16.wav": 15, "testdata/wav/s24.wav": 23, "testdata/wav/s32.wav": 31,
		"testdata/wav/f32.wav": 0, "testdata/wav/f64.wav": 0,
		"testdata/wav/mono_s24.wav": 23, // 303 bytes of samples and a padding byte
		"testdata/wav/mono_f32.wav": 0,
		goAudio:                     23,
	} {
		s := open(t, "file:"+name)
		checkWAV(t, name, s, all(t, s), bits)
	}
}

func checkWAV(t *testing.T, name string, s Source, blocks []Block, bits float64) {
	t.Helper()
	if len(blocks) != 1 || blocks[0].Len() != 101 || s.Setup().Rate != 8000 {
		t.Errorf("%s: %d blocks, %d samples, rate %v", name, len(blocks), blocks[0].Len(), s.Setup().Rate)
		return
	}
	full, tol := 1.0, 1e-7
	if bits > 0 { // others scale to 2^bits - 1, we divide by 2^bits; half a step of rounding
		full = (math.Pow(2, bits) - 1) / math.Pow(2, bits)
		tol += 0.5 / math.Pow(2, bits)
	}
	for c := range blocks[0].Samples {
		for i, v := range blocks[0].Samples[c] {
			want := 0.5 * math.Sin(2*math.Pi*float64(i)/20)
			if c == 1 {
				want = float64(i)/128 - 0.4
			}
			if !(math.Abs(float64(v)-want*full) <= tol) {
				t.Errorf("%s: channel %d, sample %d is %v, want %v", name, c, i, v, want*full)
				return
			}
		}
	}
}

func writeGoAudio(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	e := wav.NewEncoder(f, 8000, 24, 2, 1)
	b := &audio.IntBuffer{Format: &audio.Format{NumChannels: 2, SampleRate: 8000}, SourceBitDepth: 24}
	for i := range 101 {
		b.Data = append(b.Data, int(math.Round(0.5*math.Sin(2*math.Pi*float64(i)/20)*(1<<23-1))), int(math.Round((float64(i)/128-0.4)*(1<<23-1))))
	}
	if err := e.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
}

// riff puts chunks into a WAV file; odd ones are padded.
func riff(chunks ...[]byte) []byte {
	body := []byte("WAVE")
	for _, c := range chunks {
		body = append(body, c...)
		if len(c)%2 == 1 {
			body = append(body, 0)
		}
	}
	return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

func chunk(id string, body []byte) []byte {
	return append(binary.LittleEndian.AppendUint32([]byte(id), uint32(len(body))), body...)
}

func format(tag uint16, width, bits int, extra ...byte) []byte {
	align := width * bits / 8
	b := binary.LittleEndian.AppendUint16(nil, tag)
	b = binary.LittleEndian.AppendUint16(b, uint16(width))
	b = binary.LittleEndian.AppendUint32(b, 8000)
	b = binary.LittleEndian.AppendUint32(b, uint32(8000*align))
	b = binary.LittleEndian.AppendUint16(b, uint16(align))
	b = binary.LittleEndian.AppendUint16(b, uint16(bits))
	return append(b, extra...)
}

// extension is the second half of a WAVE_FORMAT_EXTENSIBLE header: size 22,
// valid bits, channel mask, GUID of the sub-format.
func extension(bits, sub byte) []byte {
	return append([]byte{22, 0, bits, 0, 3, 0, 0, 0, sub, 0}, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71)
}

func TestWAVForms(t *testing.T) {
	samples := binary.LittleEndian.AppendUint32(nil, math.Float32bits(0.25))
	samples = binary.LittleEndian.AppendUint32(samples, math.Float32bits(-0.5))
	ints := []byte{0, 0, 0x20, 0, 0, 0xC0} // 0.25 and -0.5 in 24 bits
	for name, file := range map[string][]byte{
		"extensible float":             riff(chunk("fmt ", format(wavExtensible, 1, 32, extension(32, 3)...)), chunk("data", samples)),
		"extensible 24 bits":           riff(chunk("fmt ", format(wavExtensible, 1, 24, extension(24, 1)...)), chunk("data", ints)),
		"an odd chunk before":          riff(chunk("LIST", []byte("abc")), chunk("fmt ", format(wavPCM, 1, 24)), chunk("bext", []byte("x")), chunk("data", ints)),
		"a chunk after":                riff(chunk("fmt ", format(wavPCM, 1, 24)), chunk("data", ints), chunk("LIST", []byte("abcd"))),
		"length not known: zero":       append(riff(chunk("fmt ", format(wavFloat, 1, 32)), chunk("data", nil)), samples...),
		"length not known: all ones":   append(riff(chunk("fmt ", format(wavFloat, 1, 32)), []byte("data\xFF\xFF\xFF\xFF")), samples...),
		"cut off in the last instant":  riff(chunk("fmt ", format(wavFloat, 1, 32)), chunk("data", append(samples[:8:8], 1, 2, 3))),
		"float with an extension of 0": riff(chunk("fmt ", format(wavFloat, 1, 32, 0, 0)), chunk("fact", []byte{2, 0, 0, 0}), chunk("data", samples)),
	} {
		for _, word := range []string{"file:" + write(t, "x.wav", file), "-?format=wav"} {
			s, err := Open(word, Options{Stdin: bytes.NewReader(file)})
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			if b := all(t, s); len(b) != 1 || b[0].Len() != 2 || b[0].Samples[0][0] != 0.25 || b[0].Samples[0][1] != -0.5 {
				t.Errorf("%s: %+v", name, b)
			}
			s.Close()
		}
	}
	nan := binary.LittleEndian.AppendUint32(nil, math.Float32bits(float32(math.NaN())))
	for name, c := range map[string]struct {
		file []byte
		want string
	}{
		"no WAV":            {[]byte("hello, this is text"), "does not begin with RIFF"},
		"empty":             {nil, "does not begin with RIFF"},
		"no samples":        {riff(chunk("fmt ", format(wavPCM, 1, 16))), "ends before its samples"},
		"samples first":     {riff(chunk("data", ints)), "samples come before their format"},
		"mu-law":            {riff(chunk("fmt ", format(7, 1, 8)), chunk("data", ints)), "format 7 with 8 bits is not read"},
		"no channels":       {riff(chunk("fmt ", format(wavPCM, 0, 16)), chunk("data", ints)), "contradicts itself"},
		"a cut chunk":       {riff(chunk("LIST", []byte("abcd")))[:18], "ends"},
		"a format too long": {riff([]byte("fmt \xFF\xFF\xFF\x7F")), "not one of a WAV file"},
		"not a number":      {riff(chunk("fmt ", format(wavFloat, 1, 32)), chunk("data", nan)), "sample 0 of channel 0 is not a number"},
	} {
		s, err := Open("file:"+write(t, "x.wav", c.file), Options{})
		if err == nil {
			_, err = s.Next(t.Context())
			s.Close()
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

func FuzzWAV(f *testing.F) {
	f.Add(riff(chunk("fmt ", format(wavPCM, 1, 24)), chunk("data", []byte{1, 2, 3, 4, 5, 6})))
	f.Add(riff(chunk("LIST", []byte("abc")), chunk("fmt ", format(wavExtensible, 2, 32, extension(32, 3)...)), chunk("data", make([]byte, 16))))
	f.Fuzz(func(t *testing.T, file []byte) {
		s, err := Open("-?format=wav", Options{Stdin: bytes.NewReader(file)})
		if err != nil {
			return
		}
		defer s.Close()
		for range 100 {
			if _, err := s.Next(t.Context()); err != nil {
				return
			}
		}
	})
}
