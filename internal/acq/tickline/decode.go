package tickline

import (
	"bytes"
	"hash/crc32"
	"math"
)

// Decoder cuts a stream of bytes into frames. The zero value is ready. It keeps
// an unfinished frame between calls, so the frames that come out do not depend
// on how the bytes were chunked.
type Decoder struct {
	buf      [MaxWire]byte
	n        int // bytes in buf
	long     int // bytes of a frame that is too long, beyond buf
	wire     int
	version  uint8
	frame    Frame
	samples  [MaxBody / 2]int32
	edges    [MaxEdges]uint32
	channels [MaxChannels]Channel
}

// Decode takes bytes from p until a frame ends, and says how many it took
// (at least one unless p is empty). At the end of a good frame f is not nil; at
// the end of a refused one why is not OK; otherwise p was used up. A 00 that
// follows a 00 ends nothing and is neither.
//
//	for len(p) > 0 {
//		n, f, why := d.Decode(p)
//		p = p[n:]
//		...
//	}
func (d *Decoder) Decode(p []byte) (n int, f *Frame, why Reason) {
	for n < len(p) {
		end := bytes.IndexByte(p[n:], 0)
		if end < 0 {
			d.keep(p[n:])
			return len(p), nil, OK
		}
		d.keep(p[n : n+end])
		n += end + 1
		if d.n+d.long == 0 {
			continue
		}
		why = d.finish()
		if why == OK {
			return n, &d.frame, OK
		}
		return n, nil, why
	}
	return n, nil, OK
}

// Wire is the length on the wire of the frame that Decode ended last, good or
// refused, with its closing 00.
func (d *Decoder) Wire() int { return d.wire }

// Pending is the number of bytes that are kept of an unfinished frame.
func (d *Decoder) Pending() int { return d.n + d.long }

// OtherVersion is the protocol version of the last greeting that was refused as
// WrongVersion; 0 = none was.
func (d *Decoder) OtherVersion() uint8 { return d.version }

// Reset forgets an unfinished frame, for a new connection.
func (d *Decoder) Reset() { d.n, d.long = 0, 0 }

func (d *Decoder) keep(p []byte) {
	c := copy(d.buf[d.n:], p)
	d.n += c
	d.long += len(p) - c
}

func (d *Decoder) finish() Reason {
	b := d.buf[:d.n]
	long := d.long
	d.wire = d.n + d.long + 1
	d.n, d.long = 0, 0
	if long > 0 || len(b) > MaxWire-1 {
		return TooLong
	}
	b, ok := unstuff(b)
	switch {
	case !ok:
		return BadCOBS
	case len(b) < Overhead:
		return TooShort
	}
	check := len(b) - 4
	if crc32.ChecksumIEEE(b[:check]) != le.Uint32(b[check:]) {
		return BadCRC
	}
	d.frame.Type, d.frame.Seq = Type(b[0]), le.Uint16(b[1:])
	return d.body(b[3:check])
}

// unstuff undoes COBS in place.
func unstuff(b []byte) ([]byte, bool) {
	out := b[:0]
	for i := 0; i < len(b); {
		next := i + int(b[i])
		if next > len(b) {
			return nil, false
		}
		out = append(out, b[i+1:next]...)
		if next < len(b) {
			out = append(out, 0)
		}
		i = next
	}
	return out, true
}

func (d *Decoder) body(b []byte) Reason {
	switch t := d.frame.Type; t {
	case TypeGreeting:
		return d.greeting(b)
	case TypeData:
		return d.data(b)
	case TypeStatus:
		return d.status(b)
	case TypeAsk, TypeStart, TypeStop:
		d.frame.Command = Command{Type: t}
		return length(len(b) == 0)
	case TypeLoopback:
		if len(b) != 4 {
			return BadLength
		}
		d.frame.Command = Command{t, le.Uint32(b)}
		return OK
	}
	if d.frame.Type == TypeMark && len(b) == 8 {
		d.frame.Mark = Mark{le.Uint64(b)}
		return OK
	}
	return UnknownType
}

func length(right bool) Reason {
	if right {
		return OK
	}
	return BadLength
}

func (d *Decoder) status(b []byte) Reason {
	if len(b) != statusSize {
		return BadLength
	}
	d.frame.Status = Status{
		Tick: le.Uint32(b), Overruns: le.Uint16(b[4:]), Drops: le.Uint16(b[6:]),
		TachRejected: le.Uint16(b[8:]), TachLost: le.Uint16(b[10:]),
	}
	return OK
}

func (d *Decoder) data(b []byte) Reason {
	if len(b) < dataHead {
		return BadLength
	}
	f := &d.frame.Data
	f.Tick, f.Sample = le.Uint32(b), le.Uint32(b[4:])
	f.Edge, f.Drops = le.Uint16(b[8:]), le.Uint16(b[10:])
	f.Channels, f.Wide = int(b[12]&^wideBit), b[12]&wideBit != 0
	if f.Channels > MaxChannels {
		return BadValue
	}
	n := f.Channels * int(b[13])
	rest := len(b) - dataHead - n*f.Width()
	if rest < 0 || rest%4 != 0 || f.Channels == 0 && b[13] != 0 {
		return BadLength
	}
	b = d.unpack(b[dataHead:], n)
	f.Edges = d.edges[:len(b)/4]
	for i := range f.Edges {
		f.Edges[i] = le.Uint32(b[4*i:])
	}
	return OK
}

// unpack reads n samples from b and returns what follows them.
func (d *Decoder) unpack(b []byte, n int) []byte {
	f := &d.frame.Data
	f.Samples = d.samples[:n]
	if f.Wide {
		for i := range f.Samples {
			s := b[3*i : 3*i+3 : 3*i+3]
			f.Samples[i] = int32(uint32(s[0])<<8|uint32(s[1])<<16|uint32(s[2])<<24) >> 8
		}
		return b[3*n:]
	}
	b, rest := b[:2*n], b[2*n:]
	out := f.Samples
	for len(b) >= 8 && len(out) >= 4 { // four counts are one load
		v := le.Uint64(b)
		out[0], out[1], out[2], out[3] = int32(int16(v)), int32(int16(v>>16)), int32(int16(v>>32)), int32(int16(v>>48))
		b, out = b[8:], out[4:]
	}
	for i := range out {
		out[i] = int32(int16(le.Uint16(b[2*i:])))
	}
	return rest
}

func (d *Decoder) greeting(b []byte) Reason {
	switch {
	case len(b) < 1:
		return BadLength
	case b[0] != Version:
		d.version = b[0]
		return WrongVersion
	case len(b) < greetingHead || len(b) != greetingHead+channelSize*int(b[6]):
		return BadLength
	}
	g := &d.frame.Greeting
	*g = Greeting{
		Protocol: b[0], Flags: b[1], Bits: b[2], SampleBytes: b[3], FrameSamples: b[4], Pulses: b[5],
		SelfTest: le.Uint16(b[7:]), ReferenceMV: le.Uint16(b[9:]), Firmware: le.Uint16(b[11:]),
		TickHz: le.Uint32(b[13:]), SampleTicks: le.Uint32(b[17:]), TachDelayTicks: le.Uint32(b[21:]),
		ID: le.Uint64(b[25:]), Board: name(b[33:45]),
		Channels: d.channels[:b[6]],
	}
	if g.SampleBytes != 2 && g.SampleBytes != 3 || g.TickHz == 0 || g.SampleTicks == 0 {
		return BadValue
	}
	for i := range g.Channels {
		c := b[greetingHead+channelSize*i:]
		g.Channels[i] = Channel{
			Unit: Unit(c[0]), Scale: math.Float32frombits(le.Uint32(c[1:])), Zero: int32(le.Uint32(c[5:])),
			FullScale: le.Uint32(c[9:]), DelayTicks: le.Uint32(c[13:]), Name: name(c[17:channelSize]),
		}
		if s := float64(g.Channels[i].Scale); s == 0 || s-s != 0 || c[0] > byte(TachPulse) {
			return BadValue
		}
	}
	return OK
}

// name is the text before the zero padding.
func name(b []byte) string {
	b, _, _ = bytes.Cut(b, []byte{0})
	return string(bytes.ToValidUTF8(b, []byte("?")))
}
