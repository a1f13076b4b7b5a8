package tickline

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"
)

var le = binary.LittleEndian

// AppendGreeting appends a greeting frame to dst. Names are cut to their field.
// It panics when there are more than MaxChannels channels: that is a mistake of
// the program, not of the data.
func AppendGreeting(dst []byte, seq uint16, g *Greeting) []byte {
	if len(g.Channels) > MaxChannels {
		panic(fmt.Sprintf("tickline: a greeting of %d channels, at most %d fit", len(g.Channels), MaxChannels))
	}
	b := head(dst, TypeGreeting, seq)
	b = append(b, g.Protocol, g.Flags, g.Bits, g.SampleBytes, g.FrameSamples, g.Pulses, uint8(len(g.Channels)))
	b = le.AppendUint16(b, g.SelfTest)
	b = le.AppendUint16(b, g.ReferenceMV)
	b = le.AppendUint16(b, g.Firmware)
	b = le.AppendUint32(b, g.TickHz)
	b = le.AppendUint32(b, g.SampleTicks)
	b = le.AppendUint32(b, g.TachDelayTicks)
	b = le.AppendUint64(b, g.ID)
	b = appendName(b, g.Board, boardSize)
	for i := range g.Channels {
		c := &g.Channels[i]
		b = append(b, uint8(c.Unit))
		b = le.AppendUint32(b, math.Float32bits(c.Scale))
		b = le.AppendUint32(b, uint32(c.Zero))
		b = le.AppendUint32(b, c.FullScale)
		b = le.AppendUint32(b, c.DelayTicks)
		b = appendName(b, c.Name, nameSize)
	}
	return seal(b, len(dst))
}

// AppendData appends a data frame to dst. Samples beyond the width saturate, as
// a converter does. It panics when the frame cannot hold them, or when their
// number is no multiple of the channels; RoomFor says what fits.
func AppendData(dst []byte, seq uint16, d *Data) []byte {
	n := d.Len()
	if d.Channels < 0 || d.Channels > MaxChannels || n*d.Channels != len(d.Samples) || n > math.MaxUint8 ||
		dataHead+len(d.Samples)*d.Width()+4*len(d.Edges) > MaxBody {
		panic(fmt.Sprintf("tickline: %d samples of %d channels and %d edges do not make a frame", len(d.Samples), d.Channels, len(d.Edges)))
	}
	b := head(dst, TypeData, seq)
	b = le.AppendUint32(b, d.Tick)
	b = le.AppendUint32(b, d.Sample)
	b = le.AppendUint16(b, d.Edge)
	b = le.AppendUint16(b, d.Drops)
	b = append(b, layout(d), uint8(n))
	b = appendSamples(b, d)
	for _, t := range d.Edges {
		b = le.AppendUint32(b, t)
	}
	return seal(b, len(dst))
}

const wideBit = 0x80 // of the layout byte; the low bits hold the channels

func layout(d *Data) uint8 {
	if d.Wide {
		return uint8(d.Channels) | wideBit
	}
	return uint8(d.Channels)
}

func appendSamples(b []byte, d *Data) []byte {
	if d.Wide {
		for _, v := range d.Samples {
			v = min(max(v, -1<<23), 1<<23-1)
			b = append(b, byte(v), byte(v>>8), byte(v>>16))
		}
		return b
	}
	for _, v := range d.Samples {
		b = le.AppendUint16(b, uint16(min(max(v, math.MinInt16), math.MaxInt16)))
	}
	return b
}

// AppendStatus appends a status frame to dst.
func AppendStatus(dst []byte, seq uint16, s *Status) []byte {
	b := head(dst, TypeStatus, seq)
	b = le.AppendUint32(b, s.Tick)
	b = le.AppendUint16(b, s.Overruns)
	b = le.AppendUint16(b, s.Drops)
	b = le.AppendUint16(b, s.TachRejected)
	b = le.AppendUint16(b, s.TachLost)
	return seal(b, len(dst))
}

// AppendCommand appends a host command to dst.
func AppendCommand(dst []byte, seq uint16, c Command) []byte {
	b := head(dst, c.Type, seq)
	if c.Type == TypeLoopback {
		b = le.AppendUint32(b, c.PeriodTicks)
	}
	return seal(b, len(dst))
}

// AppendMark appends a mark to a recording. The 00 before it ends a frame that
// the loss of the link cut off.
func AppendMark(dst []byte, m Mark) []byte {
	b := head(append(dst, 0), TypeMark, 0)
	return seal(le.AppendUint64(b, m.UnixMicro), len(dst)+1)
}

// head begins a frame: room for the first code byte, type, sequence number.
func head(dst []byte, t Type, seq uint16) []byte {
	return le.AppendUint16(append(dst, 0, byte(t)), seq)
}

// appendName appends s cut or padded with zeros to size bytes.
func appendName(b []byte, s string, size int) []byte {
	s = s[:min(len(s), size)]
	b = append(b, s...)
	for range size - len(s) {
		b = append(b, 0)
	}
	return b
}

// seal ends the frame that begins at start: check, stuffing, 00.
func seal(b []byte, start int) []byte {
	b = le.AppendUint32(b, crc32.ChecksumIEEE(b[start+1:]))
	stuff(b[start:])
	return append(b, 0)
}

// stuff does COBS in place: b[0] and every zero byte become the distance to the
// next zero, or to the end. Blocks of 254 bytes do not arise, as a frame is at
// most MaxFrame long.
func stuff(b []byte) {
	code := 0
	for i := 1; i < len(b); i++ {
		if b[i] == 0 {
			b[code] = byte(i - code)
			code = i
		}
	}
	b[code] = byte(len(b) - code)
}
