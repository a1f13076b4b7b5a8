package station

import (
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/job"
	"counterpoise/internal/phase"
	"counterpoise/internal/spectrum"
)

// Snapshot is what a station knows at one moment. It is never altered once
// published; listeners may keep it.
type Snapshot struct {
	Station string
	Serial  uint64    // grows by one with every snapshot
	At      time.Time // host time, for people
	Link    acq.Link
	Setup   *acq.Setup // nil before the board has introduced itself
	Counts  acq.Counts

	Motion  Motion
	Speed   float64 // rad/s; 0 at standstill or where unknown
	Accel   float64 // rad/s^2
	Turns   uint64  // accepted since the start
	Dropped [phase.NumDrops]uint64

	// Reading is the rolling reading over the newest turns; nil while there is
	// none, for instance at standstill or without a tach.
	Reading *phase.Reading
	// PhaseScatter is how far the phase of the 1x moves from turn to turn in each
	// channel: a standard deviation, rad, over the newest turns; NaN where the 1x
	// points every way, nil while there are too few turns.
	PhaseScatter []float64
	// Spectra holds one averaged spectrum per channel; SpectrumSerial grows when
	// they change. They go on without a tach, and fade with the newest blocks.
	Spectra        []spectrum.Spectrum
	SpectrumSerial uint64
	Levels         []spectrum.Level // per channel, running over the last seconds
	Waveform       *Waveform        // nil before the first full piece
	Beside         []phase.Tone     // neighbours that turn, by name

	// Level is the highest 1x velocity (m/s peak) of any channel in the turns since
	// the snapshot before: what a person at the stop button watches.
	Level   float64
	Latency Latencies // of all turns so far
}

// Waveform is the newest unbroken piece of signal with the tach edges in it.
type Waveform struct {
	Serial  uint64
	Rate    float64     // samples per second
	Samples [][]float32 // [channel][sample]
	Edges   []float64   // fractional sample positions
}

// Motion is the extractor's word for what the rotor does.
type Motion = phase.Motion

// The words for Motion, so that those who show a snapshot need no other room.
const (
	Unknown  = phase.Unknown
	Still    = phase.Still
	Turning  = phase.Turning
	LostTach = phase.LostTach
)

// Ask says what a reading must reach before it is taken.
type Ask = job.Ask
