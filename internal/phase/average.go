package phase

import (
	"fmt"
	"math"
	"slices"
)

// Method says how turns become a reading.
type Method string

// The methods. Taper is the default.
const (
	Taper Method = "taper" // Hann weights over the turns: rejects neighbours from about 3 turns^-1 of the speed away, costs 22 % in noise
	Equal Method = "equal" // equal weights: least noise
	Joint Method = "joint" // least squares together with the named neighbours
)

// Tone is a neighbour that may stand close to an order: another fan by its own
// tach, or the line frequency as estimated.
type Tone struct {
	Name string
	Hz   float64
}

// AverageConfig says how an Average makes readings. The zero value is a
// tapered reading over everything since the last standstill.
type AverageConfig struct {
	Turns      int    // newest turns that make a reading; 0 = all since Reset or the last standstill
	Method     Method // empty = Taper, and Joint where a neighbour is near
	Neighbours []Tone // removed by Joint where they are within a quarter of an order
	// Slopes say how order 1 of every channel follows the speed where that is
	// known, from a coast-down for instance; those with Speed 0, and those beyond
	// the end, are fitted to the turns.
	Slopes []Slope
}

// Average collects turns and makes readings of them. Turns of another set-up,
// after a standstill or after a long hole begin a new reading: what was on the
// rotor before may have changed.
type Average struct {
	cfg   AverageConfig
	turns []*Turn // ring when cfg.Turns > 0
	next  int     // where the next turn goes
	n     int
	base  [NumDrops]uint64 // dropped before the first turn kept
	fit   fit

	before past  // the newest turns, whether or not they make the reading
	joined joint // where the turns so far end
}

// A hole in the accepted turns longer than both of these begins a new reading.
const (
	holeSeconds = 2
	holeTurns   = 20
)

// NewAverage makes an empty Average.
func NewAverage(cfg AverageConfig) *Average {
	if cfg.Turns < 0 {
		cfg.Turns = 0
	}
	return &Average{cfg: cfg}
}

// Reset forgets all turns.
func (a *Average) Reset() {
	a.n, a.next = 0, 0
	a.before.forget()
	a.joined = joint{}
}

// Beside names the neighbours from now on instead of those named before: a fan
// beside this one does not keep its speed.
func (a *Average) Beside(tones []Tone) { a.cfg.Neighbours = append([]Tone(nil), tones...) }

// Turns is how many turns the next reading will use.
func (a *Average) Turns() int { return a.n }

// Add takes a turn. It keeps a copy; in a rolling Average it allocates nothing
// once the window is full.
func (a *Average) Add(t *Turn) {
	if a.joined.shape != nil && a.joined.breaks(t) {
		a.Reset()
	}
	a.joined = a.joined.of(t)
	a.before.add(t)
	if a.n == 0 {
		a.base = t.dropped
	}
	if a.cfg.Turns > 0 && a.n == a.cfg.Turns {
		a.base = a.at(0).dropped
	}
	if a.next == len(a.turns) {
		a.turns = append(a.turns, &Turn{})
	}
	t.copyTo(a.turns[a.next])
	a.next++
	if a.cfg.Turns > 0 {
		a.next %= a.cfg.Turns
		a.n = min(a.n+1, a.cfg.Turns)
	} else {
		a.n = a.next
	}
}

// at is the i-th oldest turn.
func (a *Average) at(i int) *Turn {
	if a.cfg.Turns > 0 && a.n == a.cfg.Turns {
		return a.turns[(a.next+i)%a.cfg.Turns]
	}
	return a.turns[i]
}

// Reading reduces the turns to one reading. Without turns it is empty and
// untrusted.
func (a *Average) Reading() Reading {
	if a.n == 0 {
		return Reading{Method: string(Taper), Why: "no revolution was accepted",
			Flags: []Flag{{Code: TooFewTurns, Fatal: true, Text: "No revolution was accepted, so there is no reading: check the tach signal and that the rotor turns."}}}
	}
	r := a.summary()
	a.choose(&r)
	a.reduce(&r)
	r.Channels = make([]ChannelReading, len(a.at(0).shape.setup.Channels))
	for c := range r.Channels {
		r.Channels[c] = a.channel(c)
	}
	r.Seen, r.Normal = a.fit.seen, normalWords(&r)
	a.judge(&r)
	return r
}

// summary fills what does not depend on the method.
func (a *Average) summary() Reading {
	first, last := a.at(0), a.at(a.n-1)
	r := Reading{Turns: a.n, Start: first.Tick, Seconds: last.Tick + last.Seconds - first.Tick}
	var sum, sq float64
	for i := range a.n {
		sum += a.at(i).Seconds
	}
	r.Speed = 2 * math.Pi * float64(a.n) / sum
	for i := range a.n {
		d := a.at(i).Speed - r.Speed
		sq += d * d
	}
	if a.n > 1 {
		r.SpeedSD = math.Sqrt(sq / float64(a.n-1))
	}
	r.Wander = math.Min(r.SpeedSD, a.wander(r.SpeedSD))
	for d := range r.Dropped {
		r.Dropped[d] = int(last.dropped[d] - a.base[d])
	}
	return r
}

// wanderTurns is a group of turns whose mean speed hardly holds the unevenness of
// the tach, which lengthens one turn by what it takes from the next.
const wanderTurns = 16

// wander is the standard deviation of the speed of groups of turns; few where there
// are not three groups.
func (a *Average) wander(few float64) float64 {
	groups := a.n / wanderTurns
	if groups < 3 {
		return few
	}
	var mean, sq float64
	for g := range groups {
		seconds := 0.0
		for i := range wanderTurns {
			seconds += a.at(g*wanderTurns + i).Seconds
		}
		speed := 2 * math.Pi * wanderTurns / seconds
		d := speed - mean
		mean += d / float64(g+1)
		sq += d * (speed - mean)
	}
	return math.Sqrt(sq / float64(groups-1))
}

func (a *Average) channel(c int) ChannelReading {
	sh := a.at(0).shape
	ch := sh.setup.Channels[c]
	cr := ChannelReading{Name: ch.Name, Quantity: ch.Quantity}
	for i := range a.n {
		if a.at(i).bad[c] {
			cr.Left++
		}
	}
	from := a
	switch good := a.n - cr.Left; {
	case cr.Left == 0:
	case good < fewTurns || good < cr.Left*mostLeft:
		cr.Refused = fmt.Sprintf("%d of %d revolutions held samples at the end of its converter's range or no numbers at all", cr.Left, a.n)
		return cr
	default:
		from = a.without(c)
	}
	cr.mean = from.fit.sol[c*from.fit.params]
	for k, n := range sh.orders[:sh.asked] {
		if !from.fit.has(k) {
			continue
		}
		o := Component{Order: n, Value: from.fit.value(c, k)}
		from.fit.doubt(from, c, k, &o)
		cr.Orders = append(cr.Orders, o)
	}
	return cr
}

// mostLeft is how many good turns a channel must have for every bad one.
const mostLeft = 2

// without is the same average of the turns in which channel c is good, fitted by
// the same method.
func (a *Average) without(c int) *Average {
	s := NewAverage(a.cfg)
	s.cfg.Turns = 0
	for i := range a.n {
		if t := a.at(i); !t.bad[c] {
			s.turns = append(s.turns, t)
		}
	}
	s.n, s.next = len(s.turns), len(s.turns)
	asked := a.at(0).shape.asked
	for i := a.before.n - 1; i >= 0; i-- {
		if t := a.before.newest(i); slices.ContainsFunc(t.values[c*asked:][:asked], finite) {
			s.before.put(t.tick, t.speed, t.values)
		}
	}
	s.fit.method, s.fit.near = a.fit.method, a.fit.near
	s.fit.solve(s)
	r := s.summary()
	s.fit.view(s, &r)
	return s
}

// TurnsNeeded is the number of turns after which a standard error that is now after
// so many turns can be expected to be at most target: it falls with the square root
// of the turns. ok is false while nothing is known.
func TurnsNeeded(turns int, now, target float64) (n int, ok bool) {
	if !(target > 0) || !(now >= 0) || math.IsInf(now, 0) {
		return 0, false
	}
	ratio := now / target
	return int(math.Ceil(math.Min(float64(turns)*ratio*ratio, 1e9))), true
}

// StandardError is the standard deviation of one axis of the phasor, averaged
// over the two.
func (c Component) StandardError() float64 { return math.Sqrt(math.Max(0, c.Cov.PerAxis())) }

// noPhase is the ratio of amplitude to standard error below which a phase
// means nothing.
const noPhase = 3

// Amplitude is |Value| without the part that noise alone adds to a magnitude:
// noise across the phasor lengthens it, by its variance over 2A (the mean of a
// Rice distribution), so sqrt(|V|^2 - variance across); 0 where the noise is
// larger.
func (c Component) Amplitude() float64 {
	angle := math.Atan2(imag(c.Value), real(c.Value))
	v := real(c.Value)*real(c.Value) + imag(c.Value)*imag(c.Value) - c.Cov.Along(angle+math.Pi/2)
	return math.Sqrt(math.Max(0, v))
}

// HasPhase reports whether the amplitude stands far enough above its standard
// error for a phase to mean anything.
func (c Component) HasPhase() bool {
	se := c.StandardError()
	return c.Value != 0 && math.Hypot(real(c.Value), imag(c.Value)) >= noPhase*se
}

// PhaseSD is the standard deviation of the phase in rad, to first order: the
// error across the phasor over its length. Infinite where there is no phase.
func (c Component) PhaseSD() float64 {
	if !c.HasPhase() {
		return math.Inf(1)
	}
	angle := math.Atan2(imag(c.Value), real(c.Value))
	return math.Sqrt(math.Max(0, c.Cov.Along(angle+math.Pi/2))) / math.Hypot(real(c.Value), imag(c.Value))
}

// Region95 returns the half axes of the 95 % ellipse of the phasor and the
// angle of the major one: Hotelling's limit 2B/(B-1) F(2, B-1) for a covariance
// of B degrees of freedom (Anderson, An Introduction to Multivariate
// Statistical Analysis, section 5.2; from memory).
func (c Component) Region95() (major, minor, angle float64) {
	major, minor, angle = c.Cov.Principal()
	k := math.Sqrt(EllipseLimit(0.95, c.DoF))
	return major * k, minor * k, angle
}
