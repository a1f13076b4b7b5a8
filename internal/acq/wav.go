package acq

import (
	"encoding/binary"
	"fmt"
	"io"
)

// A WAV file is chunks of four letters, a length and that many bytes, padded to
// an even number: RIFF length WAVE, then fmt, data and others in any order
// (Microsoft and IBM, "Multimedia Programming Interface and Data Specifications
// 1.0", 1991; the extensible form: Microsoft, "Multiple Channel Audio Data and
// WAVE Files", 2001). We walk the chunks ourselves, for streams too: the kept
// libraries at hand drop the sub-format of the extensible form, read floats as
// integers, or make one sample too many of an odd data chunk.

// wave format tags.
const (
	wavPCM        = 1
	wavFloat      = 3
	wavExtensible = 0xFFFE
)

// maxWidth is more channels than any recorder of vibration has.
const maxWidth = 256

// wavHeader is what fmt and data say.
type wavHeader struct {
	format pcmFormat
	width  int
	rate   float64
	bytes  int64 // of the data; -1 = to the end of the file
}

// readWAV reads up to the first byte of the samples.
func readWAV(name string, in io.Reader) (h wavHeader, err error) {
	var head [12]byte
	if _, err := io.ReadFull(in, head[:]); err != nil || string(head[:4]) != "RIFF" || string(head[8:]) != "WAVE" {
		return h, fmt.Errorf("%s is not a WAV file: it does not begin with RIFF and WAVE", name)
	}
	for seen := false; ; {
		var c [8]byte
		if _, err := io.ReadFull(in, c[:]); err != nil {
			return h, fmt.Errorf("%s: the WAV file ends before its samples; it was cut while it was copied or recorded", name)
		}
		size := int64(binary.LittleEndian.Uint32(c[4:]))
		switch id := string(c[:4]); {
		case id == "data" && !seen:
			return h, fmt.Errorf("%s: samples come before their format; the file is damaged", name)
		case id == "data":
			if h.bytes = size; size == 0 || size >= 0xFFFFFF00 {
				h.bytes = -1 // a recorder that did not know the length yet
			}
			return h, nil
		case id == "fmt ":
			if h, err = readFormat(name, in, size); err != nil {
				return h, err
			}
			seen = true
		default:
			if _, err := io.CopyN(io.Discard, in, size+size%2); err != nil {
				return h, fmt.Errorf("%s: the WAV file ends inside its %q chunk, before its samples", name, id)
			}
		}
	}
}

func readFormat(name string, in io.Reader, size int64) (h wavHeader, err error) {
	if size < 16 || size > 1<<16 {
		return h, fmt.Errorf("%s: a format of %d bytes is not one of a WAV file; the file is damaged", name, size)
	}
	b := make([]byte, size+size%2)
	if _, err := io.ReadFull(in, b); err != nil {
		return h, fmt.Errorf("%s: the WAV file ends inside its format", name)
	}
	tag, width := binary.LittleEndian.Uint16(b), int(binary.LittleEndian.Uint16(b[2:]))
	rate, align, bits := binary.LittleEndian.Uint32(b[4:]), int(binary.LittleEndian.Uint16(b[12:])), binary.LittleEndian.Uint16(b[14:])
	if tag == wavExtensible && size >= 26 {
		tag = binary.LittleEndian.Uint16(b[24:]) // first two bytes of the sub-format's GUID
	}
	var ok bool
	switch {
	case tag == wavPCM && bits == 8:
		h.format, ok = pcmFormatOf("u8")
	case tag == wavPCM:
		h.format, ok = pcmFormatOf(fmt.Sprintf("s%dle", (bits+7)/8*8))
	case tag == wavFloat:
		h.format, ok = pcmFormatOf(fmt.Sprintf("f%dle", bits))
	}
	if !ok {
		return h, fmt.Errorf("%s: WAV format %d with %d bits is not read here; save it as PCM of 16, 24 or 32 bits or as 32-bit float", name, tag, bits)
	}
	if width == 0 || width > maxWidth || rate == 0 || align != width*h.format.size {
		return h, fmt.Errorf("%s: the WAV header contradicts itself (%d channels, %d samples a second, %d bytes an instant); the file is damaged", name, width, rate, align)
	}
	h.width, h.rate = width, float64(rate)
	return h, nil
}
