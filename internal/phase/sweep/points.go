package sweep

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Channel is one measured channel.
type Channel struct {
	Name     string
	Quantity rotor.Quantity // raw is fitted like a displacement, and a note says so
}

// Point is one turn of a sweep, or several of nearly one speed.
type Point struct {
	At      float64      // s of board time, its middle; NaN where only speeds were kept
	Seconds float64      // its duration
	Speed   float64      // rad/s, mean
	Accel   float64      // rad/s^2
	Turns   int          // in it
	Values  []complex128 // [channel*len(orders)+k] peak phasors, SI, NaN where there is none
}

// Sweep collects the turns of a run-up or coast-down. One goroutine feeds it.
type Sweep struct {
	Channels []Channel
	Orders   []int
	Points   []Point
	Alike    bool // the marks of a turn look alike: all angles may be off by one spacing or more
}

// New makes an empty Sweep for the channels of a set-up and the orders of the
// extractor that will feed it.
func New(setup *acq.Setup, orders []int) *Sweep {
	s := &Sweep{Orders: orders}
	for _, c := range setup.Channels {
		s.Channels = append(s.Channels, Channel{c.Name, c.Quantity})
	}
	return s
}

// mostTurns that are kept, an hour at 3,000 rpm and more; later ones are left out.
const mostTurns = 200_000

// Add takes a turn and copies what it needs.
func (s *Sweep) Add(t *phase.Turn) {
	if len(t.Values) != len(s.Channels)*len(s.Orders) || len(s.Points) >= mostTurns {
		return
	}
	s.Alike = s.Alike || t.MarksAlike()
	s.Points = append(s.Points, Point{At: t.Tick + t.Seconds/2, Seconds: t.Seconds, Speed: t.Speed, Accel: t.Accel, Turns: 1,
		Values: append([]complex128(nil), t.Values...)})
}

// Curve is the course of one order of one channel.
func (s *Sweep) Curve(channel, order int) (speed []float64, v []complex128) {
	for k, n := range s.Orders {
		if n != order || channel < 0 || channel >= len(s.Channels) {
			continue
		}
		for _, p := range s.Points {
			if z := p.Values[channel*len(s.Orders)+k]; !math.IsNaN(real(z)) {
				speed, v = append(speed, p.Speed), append(v, z)
			}
		}
	}
	return speed, v
}

// Range is the lowest and highest speed seen, rad/s.
func (s *Sweep) Range() (low, high float64) {
	low = math.Inf(1)
	for _, p := range s.Points {
		low, high = math.Min(low, p.Speed), math.Max(high, p.Speed)
	}
	return low, high
}

const (
	alikeSpeed = 0.002 // of the speed: turns within it may be taken together
	mostJoined = 16    // turns in one point
	mostPoints = 1500  // that a fit takes
)

// mostMissing is the share of turns that may miss a value which the others hold.
// A channel that misses more is not fitted; of one that misses fewer, clipped in
// the resonance for instance, those turns are left out for all.
const mostMissing = 0.3

// holds tells which values are there in nearly all turns.
func (s *Sweep) holds() []bool {
	n := make([]int, len(s.Channels)*len(s.Orders))
	for _, p := range s.Points {
		for i, v := range p.Values {
			if !cmplx.IsNaN(v) {
				n[i]++
			}
		}
	}
	h := make([]bool, len(n))
	for i := range h {
		h[i] = float64(n[i]) >= (1-mostMissing)*float64(len(s.Points))
	}
	return h
}

func (p *Point) complete(holds []bool) bool {
	for i, v := range p.Values {
		if holds[i] && cmplx.IsNaN(v) {
			return false
		}
	}
	return true
}

// joined takes neighbouring turns of one speed together: a minute before the
// switch is thrown need not weigh more than the sweep.
func (s *Sweep) joined(slack float64) []Point {
	var out []Point
	holds := s.holds()
	for _, p := range s.Points {
		if !p.complete(holds) {
			continue
		}
		if n := len(out); n > 0 {
			q := &out[n-1]
			gap := p.At - p.Seconds/2 - q.At - q.Seconds/2
			if q.Turns < mostJoined && math.Abs(p.Speed-q.Speed) < slack*q.Speed && math.Abs(gap) < 0.01*p.Seconds && steady(p) && steady(*q) {
				q.join(p)
				continue
			}
		}
		p.Values = append([]complex128(nil), p.Values...)
		out = append(out, p)
	}
	if len(out) > mostPoints && slack < 0.05 {
		return s.joined(2 * slack)
	}
	return out
}

// steady points change their speed by little within a turn.
func steady(p Point) bool { return math.Abs(p.Accel)*p.Seconds < alikeSpeed*p.Speed }

func (p *Point) join(q Point) {
	a, b := float64(p.Turns), float64(q.Turns)
	start, end := p.At-p.Seconds/2, q.At+q.Seconds/2
	for i := range p.Values {
		p.Values[i] = (p.Values[i]*complex(a, 0) + q.Values[i]*complex(b, 0)) / complex(a+b, 0)
	}
	p.At, p.Seconds = (start+end)/2, end-start
	p.Turns += q.Turns
	p.Speed = 2 * math.Pi * (a + b) / p.Seconds
	p.Accel = (p.Accel*a + q.Accel*b) / (a + b)
}
