package main

import (
	"math"
	"math/rand/v2"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// tacho is a made-up signal with a tach: everything that a phase campaign
// varies. Amplitudes are in units of the order 1 component, times in seconds.
type tacho struct {
	hz         float64 // turns a second at the start
	perTurn    float64 // samples a turn
	sigma      float64 // white noise, rms
	slow, fast float64 // relative speed wander, rms, with 4 s and 10 ms correlation
	ramp       float64 // relative change of speed a turn
	jitter     float64 // of an edge, uniform +-, share of a turn
	missed     float64 // probability of a missing edge
	doubled    float64 // probability of a second edge 5 % of a turn after the first
	harmonics  float64 // amplitude of 2x, 3x and 4x each
	offset     float64 // mean
	drift      float64 // straight drift over 64 turns
	step       float64 // relative step of order 1 after half of the turns
	ar         float64 // lag-one coefficient from turn to turn of a part of the noise; 0 = white
	sampleAR   float64 // lag-one coefficient from sample to sample of all of the noise; 0 = white
	swell      float64 // relative wander of the amplitude, rms, with a correlation time of 20 turns
	resonance  float64 // width in orders of a resonance at order 1 that colours the noise
	tones      []neighbour
}

type neighbour struct {
	orders    float64 // frequency over the speed at the start
	amplitude float64
}

// made is one record of a tacho.
type made struct {
	setup  *acq.Setup
	blocks []*acq.Block
	truth  complex128 // mean phasor of order 1
}

// make writes a record that holds about turns revolutions.
func (s tacho) make(turns int, r *rand.Rand) made {
	rate := s.hz * s.perTurn
	n := int(float64(turns)*s.perTurn*rampLength(s.ramp, turns)) + int(s.perTurn) + 2
	x := make([]float32, n)
	edges := make([]acq.Edge, 0, 2*turns)
	phase := 2 * math.Pi * r.Float64()
	harm := [3]float64{r.Float64() * 7, r.Float64() * 7, r.Float64() * 7}
	tone := make([]float64, len(s.tones))
	for i := range tone {
		tone[i] = r.Float64() * 2 * math.Pi
	}
	noise := s.noise(r, rate)
	slow, fast := newWander(s.slow, 4*rate, r), newWander(s.fast, 0.01*rate, r)
	swell := newWander(s.swell, 20*s.perTurn, r)
	turn := r.Float64() // rotor angle in turns
	dt := 1 / rate
	speed := s.hz
	half := math.Ceil(turn) + phaseTurns/2 // the middle of the turns that are used
	edge := func(pos float64) {
		if r.Float64() < s.missed {
			return
		}
		if s.jitter > 0 {
			pos += (2*r.Float64() - 1) * s.jitter * s.perTurn
		}
		edges = append(edges, acq.Edge{Pos: pos})
		if r.Float64() < s.doubled {
			edges = append(edges, acq.Edge{Pos: pos + 0.05*s.perTurn})
		}
	}
	start := turn
	for i := range x {
		t := float64(i) * dt
		th := 2 * math.Pi * turn
		a := 1 + swell.next()
		if s.step != 0 && turn > half {
			a += s.step
		}
		v := a*math.Cos(th+phase) + s.offset
		if s.drift != 0 {
			v += s.drift * t * s.hz / 64
		}
		if s.harmonics != 0 {
			for k, p := range harm {
				v += s.harmonics * math.Cos(float64(k+2)*th+p)
			}
		}
		for k, nb := range s.tones {
			v += nb.amplitude * math.Cos(2*math.Pi*nb.orders*s.hz*t+tone[k])
		}
		x[i] = float32(v + noise())
		base := s.hz
		if s.ramp != 0 {
			base = s.hz * math.Exp(s.ramp*(turn-start))
		}
		now := base * (1 + slow.next() + fast.next())
		step := (speed + now) / 2 * dt
		if i == 0 {
			step = now * dt
		}
		speed = now
		next := turn + step
		if math.Floor(next) > math.Floor(turn) {
			edge(float64(i) + (math.Floor(next)-turn)/step)
		}
		turn = next
	}
	for i := range edges {
		edges[i].Number = uint64(i)
	}
	setup := &acq.Setup{Source: "campaign", Rate: rate, TickHz: rate, HasTach: true, PulsesPerTurn: 1,
		Channels: []acq.Channel{{Name: "a", Quantity: rotor.Velocity}}}
	m := made{setup: setup, truth: rect(1+s.step/2, phase)}
	m.blocks = []*acq.Block{{Setup: setup, Samples: [][]float32{x}, Edges: edges}}
	return m
}

func rect(a, p float64) complex128 {
	sin, cos := math.Sincos(p)
	return complex(a*cos, a*sin)
}

// rampLength is how much longer turns last than at the first speed.
func rampLength(ramp float64, turns int) float64 {
	if ramp >= 0 {
		return 1
	}
	return math.Exp(-ramp * float64(turns))
}

// wander is first-order noise of a given rms and correlation time in samples.
type wander struct {
	keep, kick, x float64
	r             *rand.Rand
}

func newWander(rms, tau float64, r *rand.Rand) *wander {
	if rms == 0 {
		return &wander{}
	}
	keep := math.Exp(-1 / tau)
	return &wander{keep, rms * math.Sqrt(1-keep*keep), rms * r.NormFloat64(), r}
}

func (w *wander) next() float64 {
	if w.r == nil {
		return 0
	}
	w.x = w.keep*w.x + w.kick*w.r.NormFloat64()
	return w.x
}

// noise makes the noise source: white, or white through a resonance at order 1
// of a given width, or both components of order 1 wandering as AR(1) from turn
// to turn on top of white.
func (s tacho) noise(r *rand.Rand, rate float64) func() float64 {
	if s.sigma == 0 {
		return func() float64 { return 0 }
	}
	if s.resonance > 0 {
		return s.ringing(r)
	}
	if s.sampleAR > 0 {
		w := newWander(s.sigma, -1/math.Log(s.sampleAR), r)
		return w.next
	}
	if s.ar > 0 {
		keep := math.Pow(s.ar, 1/s.perTurn)
		kick := math.Sqrt(1 - keep*keep)
		a, b := r.NormFloat64(), r.NormFloat64()
		i := 0
		return func() float64 {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / s.perTurn)
			i++
			a, b = keep*a+kick*r.NormFloat64(), keep*b+kick*r.NormFloat64()
			return s.sigma * (r.NormFloat64() + 0.3*(a*cos+b*sin))
		}
	}
	return func() float64 { return s.sigma * r.NormFloat64() }
}

// ringing is white noise through a two-pole resonance at order 1, in the steady
// state, of rms sigma.
func (s tacho) ringing(r *rand.Rand) func() float64 {
	radius := math.Exp(-math.Pi * s.resonance / s.perTurn)
	c := 2 * radius * math.Cos(2*math.Pi/s.perTurn)
	q := radius * radius
	// variance of an AR(2) with unit input
	variance := (1 + q) / ((1 - q) * ((1+q)*(1+q) - c*c))
	gain := s.sigma / math.Sqrt(variance)
	var y1, y2 float64
	next := func() float64 {
		y := c*y1 - q*y2 + gain*r.NormFloat64()
		y1, y2 = y, y1
		return y
	}
	for range int(math.Min(6/(math.Pi*s.resonance)*s.perTurn, 2e5)) {
		next()
	}
	return next
}
