package phase

import (
	"math"
	"slices"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// Config says what an Extractor looks for. The zero value is order 1 between
// 30 and 30,000 revolutions a minute.
type Config struct {
	Orders   []int   // orders of running speed, each >= 1; empty = order 1
	MinSpeed float64 // rad/s; slower is standstill; 0 = 30 rpm
	MaxSpeed float64 // rad/s; faster edges are noise; 0 = 30,000 rpm
	Late     float64 // s by which edges may lag their samples; 0 = 0.5
}

const (
	defaultMinRPM = 30
	defaultMaxRPM = 30000
	defaultLate   = 0.5
	maxOrder      = 64
)

func (c Config) withDefaults() Config {
	if !(c.MinSpeed > 0) {
		c.MinSpeed = rotor.RadPerSecond(defaultMinRPM)
	}
	if !(c.MaxSpeed > 0) {
		c.MaxSpeed = rotor.RadPerSecond(defaultMaxRPM)
	}
	if !(c.Late > 0) {
		c.Late = defaultLate
	}
	c.Orders = goodOrders(c.Orders)
	return c
}

// goodOrders keeps the usable orders in the order given, each once.
func goodOrders(orders []int) []int {
	var good []int
	for _, n := range orders {
		if n >= 1 && n <= maxOrder && !slices.Contains(good, n) {
			good = append(good, n)
		}
	}
	if len(good) == 0 {
		return []int{1}
	}
	return good
}

// sparse is the number of samples a turn below which sums over a turn leak so
// much that harmonics nobody asked for must be fitted too.
const (
	sparse        = 64
	fittedSparse  = 4    // orders 1..4 are fitted then
	usableOfOrder = 2.22 // samples a turn needed per order: 0.45 of the sampling frequency
)

// shape is what the numbers of a turn mean. It is never altered; turns of two
// shapes are never averaged together.
type shape struct {
	setup  *acq.Setup
	orders []int // those asked for, then those fitted only where samples are sparse
	asked  int
	kmax   int // highest order in a product of two of them
	kasked int // and of two of those asked for
}

func newShape(setup *acq.Setup, asked []int) *shape {
	s := &shape{setup: setup, orders: slices.Clone(asked), asked: len(asked), kasked: 2 * slices.Max(asked)}
	for n := 1; n <= fittedSparse; n++ {
		if !slices.Contains(asked, n) {
			s.orders = append(s.orders, n)
		}
	}
	s.kmax = 2 * slices.Max(s.orders)
	return s
}

// fitted is how many of the orders are summed in a turn of n samples.
func (s *shape) fitted(n float64) int {
	if n < sparse {
		return len(s.orders)
	}
	return s.asked
}

// products is the highest order in a product of two that are summed in a turn of
// n samples.
func (s *shape) products(n float64) int {
	if n < sparse {
		return s.kmax
	}
	return s.kasked
}

// usable reports whether an order can be told at n samples a turn.
func usable(order int, n float64) bool { return float64(order)*usableOfOrder <= n }

// delay is the time in s by which a channel's samples lag the edges.
func (s *shape) delay(channel int) float64 {
	d := s.setup.Channels[channel].Delay - s.setup.TachDelay
	if math.IsNaN(d) || math.IsInf(d, 0) {
		return 0
	}
	return d
}

// turned is the angle in rad of order 1 by which what was summed lags the
// motion at speed (rad/s): the delays, less the angle that the mark has at its
// edge.
func (s *shape) turned(channel int, speed float64) float64 {
	return s.delay(channel)*speed - s.setup.TachAngle
}
