package rig

import (
	"math"
	"math/rand/v2"
	"slices"

	"counterpoise/internal/rotor"
)

// sim carries plant and converter from sample to sample. It has no lock and no
// goroutine; Rig owns it.
type sim struct {
	Params
	dt    float64 // s of true time from one sample to the next
	ticks float64 // ticks from one sample to the next

	blades  []Blade
	hidden  hidden
	weights []rotor.Weight
	motion  motion

	state   [states]float64
	at      float64 // rad/s for which stepper and pull hold
	stepper stepper
	pull    pull       // times omega^2: force and moment
	force   [4]float64 // on q at the present sample
	drawn   [4]float64 // the same as the stepper shall have it

	chains      []chain
	projections [][4]float64 // of the probes
	sample      uint64       // running number of the next sample
	start       uint64       // tick of sample 0
	noise       *rand.Rand
	crossing    []float64 // scratch
	edges       []uint64  // ticks of edges that are still to come, ascending
	last        uint64    // tick of the edge handed out last
	tach        tachFaults
	loopback    uint32 // period of the test wave in ticks; 0 = off
}

// tachFaults come on top of what the board does of itself.
type tachFaults struct {
	miss, double float64
	none         bool
}

func newSim(p Params, seed uint64) *sim {
	draw := rand.New(rand.NewPCG(seed, 0xf0d5))
	s := &sim{Params: p, noise: rand.New(rand.NewPCG(seed, 0x0153))}
	s.blades, s.hidden = s.drawFound(draw)
	b := &s.Board
	s.dt = 1 / (b.Rate * (1 + b.ClockPPM*1e-6))
	s.ticks = b.TickHz / b.Rate
	s.start = uint64(draw.Uint32())
	s.motion.drive = &s.Drive
	s.motion.phi = 2 * math.Pi * draw.Float64()
	s.motion.pull = 2 * math.Pi * draw.Float64()
	for _, pr := range p.Probes {
		s.chains = append(s.chains, newChain(b, pr.Slot, p.Noise.Sensor, s.dt, int32(draw.IntN(41)-20)))
		s.projections = append(s.projections, pr.weights())
	}
	if d := p.Distance; d != nil {
		c := chain{noise: d.Noise}
		c.scale(b.Bits, d.Range)
		s.chains = append(s.chains, c)
	}
	s.refresh()
	return s
}

// refresh brings matrices and excitation to the present speed. Neither changes
// much with it, so a change of a thousandth of running speed is let pass for a
// while.
func (s *sim) refresh() {
	s.at = s.motion.omega
	s.stepper = newStepper(&s.Body, s.at, s.dt)
	s.pull = s.total(s.at)
}

// total is all that turns with the rotor at omega.
func (s *sim) total(omega float64) pull {
	return s.bladePull(s.blades, s.hidden, omega).add(loads(s.hidden.hub)).add(weightPull(s.Planes, s.weights))
}

// tick is the board's counter at sample n.
func (s *sim) tick(n uint64) uint64 { return s.start + n*uint64(s.ticks) }

// next takes one sample of every channel into counts and steps on.
func (s *sim) next(counts []int32) {
	m := &s.motion
	if off := math.Abs(m.omega - s.at); off > 1e-3*s.Drive.Run || off > 0 && s.sample%4096 == 0 {
		s.refresh()
	}
	a := s.stepper.acceleration(&s.state, &s.force)
	for i, w := range s.projections {
		v := w[0]*a[0] + w[1]*a[1] + w[2]*a[2] + w[3]*a[3]
		counts[i] = s.chains[i].count(v, s.noise.NormFloat64())
	}
	if s.Distance != nil {
		s.look(counts)
	}
	if s.loopback != 0 {
		s.square(counts)
	}
	s.crossing = m.turn(s.dt, s.Board.Pulses, s.crossing[:0])
	for _, part := range s.crossing {
		s.mark(float64(s.sample) + part)
	}
	m.accelerate(s.dt, s.noise.NormFloat64())
	before := s.drawn
	s.excite()
	s.stepper.advance(&s.state, &before, &s.drawn)
	s.sample++
}

// excite sets the force on q = [x, al, y, ga] at the present angle and speed.
func (s *sim) excite() {
	m := &s.motion
	u := [4]float64{}
	s.turning(&u, m.omega*m.omega)
	// A turning force that is drawn straight from sample to sample loses
	// (sin(half)/half)^2 of its first order; this gives it back.
	half := m.omega * s.dt / 2
	loss := half * half / 3
	s.drawn = [4]float64{u[0] * loss, u[1] * loss, u[2] * loss, u[3] * loss}
	if m.supply {
		s.magnets(&u)
	}
	part := m.omega / s.Drive.Run
	rough := math.Sqrt(s.Board.Rate/2) * (0.1 + 0.9*part*part)
	for i, density := range [4]float64{s.Noise.Force, s.Noise.Moment, s.Noise.Force, s.Noise.Moment} {
		u[i] += density * rough * s.noise.NormFloat64()
		s.drawn[i] += u[i]
	}
	s.force = u
}

// turning adds what is locked to the rotor: unbalance and its like, and the
// blades that pass an obstacle.
func (s *sim) turning(u *[4]float64, w2 float64) {
	if w2 == 0 {
		return
	}
	sin, cos := math.Sincos(s.motion.phi)
	f, g := s.pull.f, s.pull.g
	u[0] += w2 * (real(f)*cos - imag(f)*sin)
	u[1] += w2 * (real(g)*cos - imag(g)*sin)
	u[2] += w2 * (real(f)*sin + imag(f)*cos)
	u[3] += w2 * (real(g)*sin + imag(g)*cos)
	sin, cos = math.Sincos(float64(s.Wheel.Blades) * s.motion.phi)
	pass := s.Drive.Passing * w2 / (s.Drive.Run * s.Drive.Run)
	u[1] += pass * cos
	u[3] += pass * 0.6 * sin
}

// magnets adds the motor's pull at twice the supply frequency, and a sixth of
// it at four times.
func (s *sim) magnets(u *[4]float64) {
	sin, cos := math.Sincos(s.motion.pull)
	x := s.Drive.Pull * (cos + (2*cos*cos-1)/6)
	y := s.Drive.Pull * 0.6 * (sin + sin*cos/3)
	u[0] += x
	u[1] += x * s.Drive.PullZ
	u[2] += y
	u[3] += y * s.Drive.PullZ
}

// mark notes a tach edge at a fractional sample, with the faults of a tach.
func (s *sim) mark(at float64) {
	b := &s.Board
	jitter, miss, double := b.TachJitter*s.noise.NormFloat64(), s.noise.Float64(), s.noise.Float64()
	if s.loopback != 0 || s.tach.none || miss < b.TachMiss+s.tach.miss {
		return
	}
	tick := float64(s.start) + at*s.ticks + (b.TachDelay+jitter)*b.TickHz
	s.edge(uint64(math.Round(tick)))
	if double < b.TachDouble+s.tach.double {
		s.edge(uint64(math.Round(tick + 0.002*b.TickHz)))
	}
}

// edge keeps an edge until it is due, in the order in which a board would see
// it. One that comes too late for that is seen a tick after the last.
func (s *sim) edge(tick uint64) {
	tick = max(tick, s.last+1)
	i, _ := slices.BinarySearch(s.edges, tick)
	s.edges = slices.Insert(s.edges, i, tick)
}

// due hands out the edges up to a tick, appended to out.
func (s *sim) due(tick uint64, out []uint32, most int) []uint32 {
	n := 0
	for n < len(s.edges) && n < most && s.edges[n] <= tick {
		out = append(out, uint32(s.edges[n]))
		s.last = s.edges[n]
		n++
	}
	s.edges = append(s.edges[:0], s.edges[n:]...)
	return out
}
