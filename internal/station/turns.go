package station

import (
	"slices"
	"sync"
	"time"

	"counterpoise/internal/phase"
)

// Turn is the value of one accepted revolution. It is published the moment that
// it is ready; snapshots, which carry a reading and a picture, follow ten times a
// second. It is never altered once published.
type Turn struct {
	Number uint64
	Tick   float64 // board time of its start, s since the first block
	Speed  float64 // rad/s
	// Level is the highest 1x velocity of any channel, m/s peak; 0 where none can
	// be had as a velocity.
	Level  float64
	Values []complex128 // [channel*orders+k] as in phase.Turn
}

// Turns is one listener's bounded queue. A listener that falls behind loses the
// newest turns, not the daemon's time; Missed says how many, and how high.
type Turns struct {
	C <-chan Turn

	c       chan Turn
	of      *turnstile
	mu      sync.Mutex
	missed  uint64
	highest float64
}

// Listen makes a queue for room turns, from the next turn on. Close it.
func (s *Station) Listen(room int) *Turns {
	c := make(chan Turn, max(1, room))
	q := &Turns{C: c, c: c, of: &s.turns}
	s.turns.mu.Lock()
	defer s.turns.mu.Unlock()
	s.turns.queues = append(s.turns.queues, q)
	return q
}

// Close ends the listening. C is not closed.
func (q *Turns) Close() {
	q.of.mu.Lock()
	defer q.of.mu.Unlock()
	q.of.queues = slices.DeleteFunc(q.of.queues, func(o *Turns) bool { return o == q })
}

// Missed tells how many turns found no room since it was last called, and the
// highest Level among them.
func (q *Turns) Missed() (n uint64, highest float64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	n, highest = q.missed, q.highest
	q.missed, q.highest = 0, 0
	return n, highest
}

func (q *Turns) miss(level float64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.missed++
	q.highest = max(q.highest, level)
}

// turnstile hands every turn to all who listen.
type turnstile struct {
	mu     sync.Mutex
	queues []*Turns
}

// publish never waits for a listener, and allocates nothing where there is none.
func (p *turnstile) publish(t *phase.Turn, level float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.queues) == 0 {
		return
	}
	u := Turn{Number: t.Number, Tick: t.Tick, Speed: t.Speed, Level: level, Values: slices.Clone(t.Values)}
	for _, q := range p.queues {
		select {
		case q.c <- u:
		default:
			q.miss(level)
		}
	}
}

// latencySeconds are the upper bounds of Latencies.
var latencySeconds = [...]float64{20e-6, 50e-6, 100e-6, 200e-6, 500e-6, 1e-3, 2e-3, 5e-3, 10e-3, 100e-3}

// Latencies counts how long turns took from the arrival of the bytes with their
// last edge at this computer until they were published.
type Latencies struct {
	Sum    float64 // s
	Turns  uint64
	within [len(latencySeconds)]uint64
}

func (l *Latencies) add(d time.Duration) {
	s := d.Seconds()
	l.Sum += s
	l.Turns++
	for i := len(latencySeconds) - 1; i >= 0 && s <= latencySeconds[i]; i-- {
		l.within[i]++
	}
}

// Within maps a bound in seconds to the number of turns that took at most that.
func (l *Latencies) Within() map[float64]uint64 {
	m := make(map[float64]uint64, len(latencySeconds))
	for i, s := range latencySeconds {
		m[s] = l.within[i]
	}
	return m
}
