package tickline

import "math"

// Version is the protocol version that a greeting must carry.
const Version = 1

// Sizes of the wire, in bytes.
const (
	MaxFrame    = 252       // type, seq, body and check, before COBS
	Overhead    = 1 + 2 + 4 // type, seq, check
	MaxBody     = MaxFrame - Overhead
	MaxWire     = MaxFrame + 2 // with the COBS code byte and the closing 00
	MaxChannels = 8            // a greeting of 8 channels fills a frame exactly
	MaxEdges    = (MaxBody - dataHead) / 4

	greetingHead = 45 // before the channels
	channelSize  = 25
	nameSize     = 8
	boardSize    = 12
	dataHead     = 14
	statusSize   = 12
)

// Type says what a frame holds.
type Type uint8

// Board to host below 0x10, host to board from 0x10, never on a wire from 0x20.
const (
	TypeGreeting Type = 0x01
	TypeData     Type = 0x02
	TypeStatus   Type = 0x03
	TypeAsk      Type = 0x10 // send a greeting; the rest goes on as it was
	TypeStart    Type = 0x11 // send data and status frames
	TypeStop     Type = 0x12 // send none
	TypeLoopback Type = 0x13 // drive the test pin with a square wave, or stop it
	TypeMark     Type = 0x20 // only in a recording, by the host: the link was lost here
)

// Unit is the unit of a channel after scale and zero have been applied.
type Unit uint8

// The units a board may name. A board that knows g or mm/s puts the factor into
// its scale.
const (
	Raw             Unit = 0
	MetrePerSecond2 Unit = 1
	MetrePerSecond  Unit = 2
	Metre           Unit = 3
	TachPulse       Unit = 4 // a sampled tach pulse, in volts or what the board likes: the host makes edges of it
)

// Channel is one channel of a greeting: value = (count - Zero) * Scale.
type Channel struct {
	Name       string // at most 8 bytes of UTF-8
	Unit       Unit
	Scale      float32 // units per count, finite and not 0
	Zero       int32   // count at rest
	FullScale  uint32  // |count - Zero| at which the converter clips; 0 = unknown
	DelayTicks uint32  // ticks by which a sample lags the motion
}

// Flags of a greeting.
const (
	FlagStreaming uint8 = 1 << iota // data frames are being sent
	FlagLoopback                    // the test square wave is on
)

// Greeting is what a board says of itself: when it starts, when it is asked,
// and whenever anything in it changes.
type Greeting struct {
	Protocol       uint8
	Board          string // at most 12 bytes of UTF-8
	Firmware       uint16 // major * 256 + minor
	ID             uint64 // unique id of the board
	Flags          uint8
	SelfTest       uint16 // 0 = passed, else one bit a fault, see hw/PROTOCOL.md
	Bits           uint8  // of the converter
	SampleBytes    uint8  // 2 or 3 on the wire
	FrameSamples   uint8  // samples per channel in a usual data frame
	Pulses         uint8  // tach marks a turn; 0 = no tach
	ReferenceMV    uint16 // converter reference, mV; 0 = unknown
	TickHz         uint32
	SampleTicks    uint32 // ticks from one sample to the next
	TachDelayTicks uint32 // ticks by which an edge lags the passing of the mark
	Channels       []Channel
}

// Data is a run of samples and the tach edges seen since the frame before.
type Data struct {
	Tick     uint32   // of the first sample
	Sample   uint32   // running number of the first sample
	Edge     uint16   // running number of the first edge here, or of the next one
	Drops    uint16   // data frames thrown away on the board so far
	Channels int      // 0..8
	Wide     bool     // 24 bits a sample instead of 16
	Samples  []int32  // interleaved: all channels of the first instant, then the next
	Edges    []uint32 // ticks; may lie before or after the samples
}

// Width is the number of bytes of one sample on the wire.
func (d *Data) Width() int {
	if d.Wide {
		return 3
	}
	return 2
}

// Len is the number of samples per channel.
func (d *Data) Len() int {
	if d.Channels == 0 {
		return 0
	}
	return len(d.Samples) / d.Channels
}

// RoomFor is the largest number of samples per channel that a data frame can
// carry beside the given number of edges.
func RoomFor(channels int, wide bool, edges int) int {
	width := 2
	if wide {
		width = 3
	}
	return min(math.MaxUint8, (MaxBody-dataHead-4*edges)/(channels*width))
}

// Status is sent once a second. Everything counts since the board started.
type Status struct {
	Tick         uint32 // when it was made
	Overruns     uint16 // conversions that came while the one before was not yet stored
	Drops        uint16 // data frames thrown away because the transmitter was full
	TachRejected uint16 // edges inside the refractory time; not numbered
	TachLost     uint16 // numbered edges that found no room
}

// Command is what a host says.
type Command struct {
	Type        Type   // TypeAsk, TypeStart, TypeStop or TypeLoopback
	PeriodTicks uint32 // TypeLoopback: period of the square wave, 0 = off
}

// Mark stands in a recording where the link was lost and came back.
type Mark struct {
	UnixMicro uint64 // host time at which it came back, for people
}

// Frame is one accepted frame. Only the member that Type names is meant. Slices
// belong to the decoder and are valid until its next Decode.
type Frame struct {
	Type     Type
	Seq      uint16
	Greeting Greeting
	Data     Data
	Status   Status
	Command  Command
	Mark     Mark
}
