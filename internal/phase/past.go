package phase

import "math"

// past remembers the values of the newest turns, those of the reading and those
// before it. A short reading cannot see what changes more slowly than it lasts;
// the turns before it can, so its error is taken from as many as there are.
type past struct {
	turns []pastTurn // ring
	next  int
	n     int
}

type pastTurn struct {
	tick, speed float64
	values      []complex128
}

const (
	mostPast   = 512  // turns remembered: twenty seconds of a fan
	pastSparse = 24   // samples a turn below which values of single turns are too rough
	pastSteady = 0.01 // of the speed; turns further off, or three times the reading's own scatter, end the view
)

func (p *past) forget() { p.n, p.next = 0, 0 }

func (p *past) add(t *Turn) { p.put(t.Tick, t.Speed, t.Values) }

func (p *past) put(tick, speed float64, values []complex128) {
	if len(p.turns) == 0 || len(p.turns[0].values) != len(values) {
		p.turns = make([]pastTurn, mostPast)
		all := make([]complex128, mostPast*len(values))
		for i := range p.turns {
			p.turns[i].values = all[i*len(values):][:len(values)]
		}
		p.forget()
	}
	t := &p.turns[p.next]
	t.tick, t.speed = tick, speed
	copy(t.values, values)
	p.next = (p.next + 1) % mostPast
	p.n = min(p.n+1, mostPast)
}

// newest is the i-th newest turn, 0 the last.
func (p *past) newest(i int) *pastTurn {
	return &p.turns[(p.next-1-i+2*mostPast)%mostPast]
}

// Remember takes over what another Average of the same turns has seen of the
// running rotor before this one has its first turn. It is seen only by the
// stated error, never by the value.
func (a *Average) Remember(o *Average) {
	if a.n > 0 || o == nil || o.n == 0 {
		return
	}
	a.before.forget()
	for i := o.before.n - 1; i >= 0; i-- {
		t := o.before.newest(i)
		a.before.put(t.tick, t.speed, t.values)
	}
	last := o.at(o.n - 1)
	a.joined = joint{shape: last.shape, run: last.run, tick: last.Tick, seconds: last.Seconds}
}

// joint is where remembered turns end: the next turn must follow from there.
type joint struct {
	shape         *shape
	run           uint64
	tick, seconds float64
}

func (j joint) of(t *Turn) joint { return joint{t.shape, t.run, t.Tick, t.Seconds} }

// breaks reports whether t does not continue what ended at j: another set-up,
// a standstill, a step back or a long hole in between.
func (j joint) breaks(t *Turn) bool {
	hole := t.Tick - j.tick - j.seconds
	return t.shape != j.shape || t.run != j.run || hole < -j.seconds ||
		hole > math.Max(holeSeconds, holeTurns*j.seconds)
}

// seen is how many turns the error of a reading can be taken from: its own, and
// where more are remembered those before it that ran at its speed.
func (a *Average) seen(r *Reading) int {
	if a.n >= a.before.n || a.fit.method == Joint {
		return a.n
	}
	for i := range a.n {
		if a.at(i).samples < pastSparse {
			return a.n
		}
	}
	within := math.Max(pastSteady*r.Speed, 3*r.SpeedSD)
	m := a.n
	for m < a.before.n && math.Abs(a.before.newest(m).speed-r.Speed) <= within && a.before.newest(m).like(a.before.newest(0)) {
		m++
	}
	return m
}

// like reports whether two turns hold values in the same places.
func (t *pastTurn) like(o *pastTurn) bool {
	for i, v := range t.values {
		if finite(v) != finite(o.values[i]) {
			return false
		}
	}
	return true
}
