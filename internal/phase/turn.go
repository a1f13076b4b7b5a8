package phase

// Turn is one accepted revolution.
type Turn struct {
	Number  uint64  // running number of accepted turns since the start
	Tick    float64 // board time of its start in s since the first block (unwrapped ticks / tick rate)
	Seconds float64 // its duration, s
	Speed   float64 // rad/s, mean
	Accel   float64 // rad/s^2, from neighbouring intervals
	// Values[channel*len(orders)+k] is the peak phasor of orders[k] on that
	// channel, in the channel's own quantity, delays corrected.
	Values []complex128
}

// Drop says why a revolution was not accepted. Label values of the metrics.
type Drop uint8

// Why a turn is dropped.
const (
	DropGap      Drop = iota // touches a gap in the samples
	DropMissed               // an edge is missing
	DropDoubled              // an edge too many
	DropSpurious             // an edge out of rhythm
	DropSpeed                // speed changed too fast within it or is out of range
	DropValue                // clipped, NaN or infinite samples
	DropShort                // too few samples in it
	NumDrops
)

func (d Drop) String() string {
	return [...]string{"gap", "missed_edge", "doubled_edge", "spurious_edge", "speed", "bad_value", "too_short"}[d]
}
