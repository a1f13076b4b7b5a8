package phase

import "math"

// Turn is one accepted revolution. The Extractor that hands it out uses its
// memory again for the next one; an Average copies what it keeps.
type Turn struct {
	Number  uint64  // running number of accepted turns since the start
	Tick    float64 // board time of its start in s since the first block (unwrapped ticks / tick rate)
	Seconds float64 // its duration, s
	Speed   float64 // rad/s, mean
	Accel   float64 // rad/s^2, from neighbouring intervals
	// Values[channel*len(orders)+k] is the peak phasor of orders[k] on that
	// channel, in the channel's own quantity, delays corrected, the mean and
	// the trend of the neighbourhood removed. NaN where the sampling rate does
	// not reach the order, and where the channel was clipped or held no numbers.
	Values []complex128

	shape   *shape
	run     uint64           // grows at every standstill and every new set-up
	bad     []bool           // [channel] clipped, NaN or infinite samples: its sums mean nothing
	alike   bool             // the marks of the turn cannot be told apart
	dropped [NumDrops]uint64 // what was dropped until this turn
	sums
}

// maxSectors is how many parts of a turn are summed apart. A weight over turns
// that were a staircase of whole turns would let a tone at 2.02 orders leak
// 6e-3 into order 1; four steps a turn let 1e-6 through.
const maxSectors = 4

// sums are the inner products of one turn, sector by sector, from which a
// reading is fitted. The weight of a sample is 1 inside the turn and falls to
// the sample's share at the two ends, so that neighbouring turns add up to 1.
type sums struct {
	samples float64 // weighted number of samples in the turn
	sectors int
	fitted  int                 // how many of shape.orders are summed
	at      [maxSectors]float64 // centre of the sector's samples, s after Tick
	mid     [maxSectors]float64 // rotor angle there, rad from the turn's start
	// geo[s*(kmax+1)+k] = sum w exp(i k theta), lin the same times the sample's
	// time from the sector's centre in s. Shared by all channels. Meant up to
	// products of the fitted orders.
	geo, lin []complex128
	dc       []float64    // [channel*maxSectors+s] sum w x
	val      []complex128 // [(channel*len(shape.orders)+k)*maxSectors+s] sum w x exp(-i orders[k] theta)
}

func (s *sums) init(sh *shape) {
	channels := len(sh.setup.Channels)
	s.geo = make([]complex128, maxSectors*(sh.kmax+1))
	s.lin = make([]complex128, maxSectors*(sh.kmax+1))
	s.dc = make([]float64, channels*maxSectors)
	s.val = make([]complex128, channels*len(sh.orders)*maxSectors)
}

// copyTo makes d an independent copy, reusing d's memory.
func (t *Turn) copyTo(d *Turn) {
	values, bad, geo, lin, dc, val := d.Values, d.bad, d.geo, d.lin, d.dc, d.val
	*d = *t
	d.Values = append(values[:0], t.Values...)
	d.bad = append(bad[:0], t.bad...)
	d.geo = append(geo[:0], t.geo...)
	d.lin = append(lin[:0], t.lin...)
	d.dc = append(dc[:0], t.dc...)
	d.val = append(val[:0], t.val...)
}

// Orders are the orders of Values. The slice must not be altered.
func (t *Turn) Orders() []int { return t.shape.orders[:t.shape.asked] }

// Value is the phasor of one order of one channel; ok is false where the turn
// does not hold it.
func (t *Turn) Value(channel, order int) (v complex128, ok bool) {
	for k, n := range t.Orders() {
		if i := channel*t.shape.asked + k; n == order && i >= 0 && i < len(t.Values) {
			return t.Values[i], !math.IsNaN(real(t.Values[i]))
		}
	}
	return 0, false
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
	DropValue                // clipped, NaN or infinite samples on every channel
	DropShort                // too few samples in it
	DropCrowded              // more edges than samples to judge them by
	NumDrops
)

func (d Drop) String() string {
	return [...]string{"gap", "missed_edge", "doubled_edge", "spurious_edge", "speed", "bad_value", "too_short", "crowded_edges"}[d]
}
