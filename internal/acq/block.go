package acq

import (
	"context"
	"time"

	"counterpoise/internal/rotor"
)

// Channel describes one measured channel as its samples stand in a Block.
type Channel struct {
	Name      string
	Quantity  rotor.Quantity // SI: m/s^2, m/s or m; Raw where no unit is known
	Scale     float64        // what one raw unit (count, volt, file number) was multiplied by
	FullScale float64        // absolute value at which the converter clips, in the channel's unit; 0 = unknown
	Step      float64        // one converter step in the channel's unit; 0 = unknown
	Delay     float64        // s by which the samples lag the motion; phase corrects for it
}

// Setup is what a source says of itself. A Setup is never altered once a block
// carries it: when the board changes (another greeting) the next block carries
// another pointer.
type Setup struct {
	Source        string  // the SOURCE word, for people
	Board         string  // board and firmware; empty for files
	ID            string  // unique id of the board; empty for files
	Rate          float64 // samples per second on the board's clock
	TickHz        float64 // ticks per second of the board's counter; files: = Rate
	Channels      []Channel
	HasTach       bool
	PulsesPerTurn int      // marks per revolution, >= 1
	TachDelay     float64  // s by which an edge lags the passing of the mark
	TachAngle     float64  // rad, angle of the mark at the edge; normally 0
	Notes         []string // one sentence each on what a reader of the data must know; empty when all is well
}

// Edge is one tach edge.
type Edge struct {
	Pos    float64 // fractional sample position relative to the block's first sample; may lie before or after the block
	Number uint64  // running number on the board, counting every edge seen there
}

// Loss says why something is missing. The zero value is "nothing lost".
type Loss uint8

// The reasons for a gap.
const (
	NoLoss     Loss = iota
	LostFrames      // the wire's sequence number jumped
	BoardDrop       // the board says that it dropped samples
	LinkDown        // the cable, port or connection was gone
	ReaderLag       // we were too slow and dropped a block
	NewSetup        // the board greeted anew with another set-up or restarted
	ClockStep       // the tick and the sample number disagree
)

func (l Loss) String() string {
	return [...]string{"none", "lost_frames", "board_drop", "link_down", "reader_lag", "new_setup", "clock_step"}[l]
}

// Block is a run of samples without a gap inside. All channels have the same
// number of samples. The tick of sample i is Tick + i*TickHz/Rate.
type Block struct {
	Setup     *Setup
	Tick      uint64      // unwrapped board tick of the first sample
	Sample    uint64      // running number of the first sample, unwrapped
	Samples   [][]float32 // [channel][sample], engineering units (SI) or raw
	Edges     []Edge      // ascending in Pos and Number, also across blocks
	Gap       Loss        // what was lost between the previous block and this one
	Lost      uint64      // samples lost before this block, as far as known
	LostEdges uint64      // edges lost before the first edge of this block (running number jumped)
	Arrived   time.Time   // host time of arrival, for people; zero for files
}

// Len is the number of samples per channel.
func (b *Block) Len() int {
	if len(b.Samples) == 0 {
		return 0
	}
	return len(b.Samples[0])
}

// Link is the state of a source in words that a page can show.
type Link struct {
	Up     bool
	State  string    // one of the LinkState words
	Reason string    // one sentence: what happened, what it means, what to do; empty when all is well
	Since  time.Time // host time of the last change
}

// Words for Link.State.
const (
	Connecting = "connecting" // not yet open
	Greeting   = "greeting"   // open, waiting for the board to introduce itself
	Running    = "running"    // blocks flow
	Silent     = "silent"     // open, yet no good frame for over a second
	Down       = "down"       // lost; trying again
	Ended      = "ended"      // a file came to its end, or the source was closed
)

// Counts are totals since the source was opened; they never go down. The keys
// of the maps come from fixed lists (see LossReasons and RefuseReasons).
type Counts struct {
	Bytes         uint64
	SkippedBytes  uint64            // bytes that belonged to no good frame
	Frames        uint64            // frames accepted
	Refused       map[string]uint64 // frames refused, by reason
	Samples       uint64
	LostSamples   uint64
	Edges         uint64
	LostEdges     uint64
	Gaps          map[string]uint64 // by Loss
	DroppedBlocks uint64            // dropped because the reader lagged
	LostFrames    uint64            // jumps of the wire's sequence number
	BoardDrops    uint64            // data frames that the board says it threw away
	Overruns      uint64            // conversions that the board says it lost
	TachRejected  uint64            // edges that the board says came within its refractory time
	TachLost      uint64            // numbered edges that the board says found no room
	Reconnects    uint64
	ClockPPM      float64 // board clock against host clock, parts per million
	ClockPPMError float64 // its standard error; 0 = not known yet
}

// Source delivers blocks. One goroutine calls Next; Link and Counts may be
// called from any other at the same time.
type Source interface {
	// Next waits for the next block. The block belongs to the source and is
	// valid until the next call of Next; copy what must live longer. At the end
	// of a file the error is io.EOF. A lost board is not an error: the source
	// reconnects with back-off and marks the gap. Next returns an error only
	// where going on is pointless (ctx ended, a file is malformed, a port that
	// never existed or is forbidden at the first opening).
	Next(ctx context.Context) (*Block, error)
	Setup() *Setup // newest known; nil before the first greeting
	Link() Link
	Counts() Counts
	Close() error
}
