package acq

// Every counter on the wire wraps: ticks and sample numbers after 2^32, edge
// numbers, sequence numbers and the board's loss counters after 2^16. They are
// unwrapped here and nowhere else.

// nearest is the number congruent to raw modulo 2^bits that lies nearest to
// expect; half way, the later one. It is right as long as the true value is
// less than 2^(bits-1) from what was expected.
func nearest(raw uint64, bits uint, expect uint64) uint64 {
	turn := uint64(1) << bits
	ahead := (raw - expect) & (turn - 1)
	if v := expect + ahead; ahead <= turn/2 || v < turn {
		return v
	}
	return expect + ahead - turn
}

// ascend is the smallest number congruent to raw modulo 2^bits that is not
// below floor. It keeps a counter rising when the board began anew.
func ascend(raw uint64, bits uint, floor uint64) uint64 {
	return floor + (raw-floor)&(1<<bits-1)
}

// total adds up a 16-bit counter that only rises on the board.
type total struct {
	last  uint16
	known bool
}

// add returns what was counted since the last call; the first call sets the
// start.
func (t *total) add(v uint16) uint64 {
	d := v - t.last
	if !t.known {
		d = 0
	}
	t.last, t.known = v, true
	return uint64(d)
}

// restart says that the counter began anew at 0.
func (t *total) restart() { t.last = 0 }
