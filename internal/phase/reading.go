package phase

import (
	"counterpoise/internal/rotor"
)

// Flag is a reason not to trust a reading, or to trust it less.
type Flag struct {
	Code  string // from the list in flags.go
	Text  string // one sentence with numbers and what to do
	Fatal bool   // the reading must not be used for balancing
}

// Component is one order of one channel.
type Component struct {
	Order int
	Value complex128 // peak phasor in the channel's quantity, SI
	Cov   rotor.Cov  // covariance of Value
	DoF   float64    // effective degrees of freedom of Cov; use t and F quantiles with it

	// Normal says how the turns were brought to the reading's speed; nil where they
	// were not.
	Normal *Normal `json:",omitempty"`

	slow float64 // probability that changes slower than the turns seen make Cov too small
}

// ChannelReading is what one channel showed.
type ChannelReading struct {
	Name     string
	Quantity rotor.Quantity
	Orders   []Component
	Left     int    `json:",omitempty"` // turns of the reading left out of this channel: clipped, or no numbers
	Refused  string `json:",omitempty"` // why the channel gives no vector while others do; empty = it does

	mean float64 // of the samples
}

// Reading is a set of turns reduced to one phasor per channel and order. It is
// what a job stores, what the solver takes, what a metric shows.
type Reading struct {
	Channels []ChannelReading
	Speed    float64 // rad/s, mean, on the board's clock
	SpeedSD  float64 // rad/s, scatter of the turns' speeds
	// Wander is the scatter of the mean speeds of groups of turns, rad/s: how far the
	// speed itself moved. SpeedSD also holds what the tach's own unevenness makes of
	// single turns. Equal to SpeedSD where there are too few turns.
	Wander  float64 `json:",omitempty"`
	Turns   int     // accepted and used
	Seen    int     `json:",omitempty"` // turns whose scatter is in the stated error: those used and, where remembered, those before
	Dropped [NumDrops]int
	Start   float64 // s of board time
	Seconds float64 // from the first to the last turn used
	Method  string  // "equal", "taper" or "joint"
	Why     string  // the reason for the method, one sentence
	Normal  string  `json:",omitempty"` // what bringing the turns to one speed did, one sentence; empty where nothing was done
	Flags   []Flag
}

// Trusted reports whether no fatal flag stands.
func (r *Reading) Trusted() bool {
	for _, f := range r.Flags {
		if f.Fatal {
			return false
		}
	}
	return r.Turns > 0
}

// In returns the component of an order on a channel as quantity q; ok is false
// where the channel or order is missing or cannot be converted.
func (r *Reading) In(channel, order int, q rotor.Quantity) (c Component, ok bool) {
	if channel < 0 || channel >= len(r.Channels) {
		return Component{}, false
	}
	ch := r.Channels[channel]
	for _, c := range ch.Orders {
		if c.Order != order {
			continue
		}
		factor, err := rotor.Convert(1, ch.Quantity, q, r.Speed*float64(order))
		if err != nil {
			return Component{}, false
		}
		c.Value *= factor
		c.Cov = c.Cov.Times(factor)
		c.Normal = c.Normal.in(ch.Quantity, q)
		return c, true
	}
	return Component{}, false
}
