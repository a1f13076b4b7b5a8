package phase

import (
	"math"

	"counterpoise/internal/acq"
)

// Motion says in one word what the rotor does as far as the tach tells.
type Motion uint8

// The words for Motion.
const (
	Unknown  Motion = iota // no tach, or no edges yet
	Still                  // the tach is quiet and so is the vibration, or the rotor was seen to run down
	Turning                // edges in rhythm
	LostTach               // the tach fell silent while the rotor was running
)

func (m Motion) String() string {
	return [...]string{"unknown", "still", "turning", "lost-tach"}[m]
}

// State is what is known of the rotor now.
type State struct {
	Motion Motion
	Speed  float64 // rad/s; 0 unless turning
	Accel  float64 // rad/s^2
	Turns  uint64  // accepted since the start
	Silent float64 // s without an edge in rhythm
}

// State tells what the rotor did when the last block ended.
func (x *Extractor) State() State {
	s := State{Motion: x.watch.motion, Turns: x.turns}
	if x.shape != nil {
		s.Silent = x.watch.quiet / x.rate
	}
	if s.Motion == Turning {
		s.Speed, s.Accel = x.watch.speed, x.watch.accel
	}
	return s
}

// watch tells a lost tach from standstill. When edges stop coming, a rotor that
// was seen to slow down to it, or whose vibration is gone, stands still; one
// whose vibration goes on has lost its tach.
type watch struct {
	tach         bool
	motion       Motion
	speed, accel float64
	period       float64 // samples, of the last turn in rhythm
	quiet        float64 // samples since the last edge in rhythm
	late         float64 // by how many samples edges come after their place, lately
	rms          []float64
	running      []float64 // rms while it turned
	sum, sq      []float64
	count        int     // looks since rms was formed
	stride, skip int     // samples from look to look, and to the next one
	seen         int     // samples of the block at hand that were passed
	fastest      float64 // highest speed since standstill
}

const (
	looks       = 400 // samples a second are enough to see whether anything shakes
	overdue     = 4   // periods without an edge after which the tach is silent
	stillShare  = 0.3 // of the running vibration: less is standstill
	runDownFrom = 0.5 // of the highest speed: below it the rotor was running down
)

// samples follows the vibration of every channel, from one look a turn or so, up
// to the sample to of the block.
func (w *watch) samples(b *acq.Block, to int, rate float64) {
	if to <= w.seen {
		return
	}
	from := w.seen
	w.seen = to
	if len(w.sum) != len(b.Samples) {
		w.sum, w.sq = make([]float64, len(b.Samples)), make([]float64, len(b.Samples))
		w.running = make([]float64, len(b.Samples))
		w.stride = max(1, int(rate/looks))
	}
	for c, x := range b.Samples {
		var s, q float64
		for i := from + w.skip; i < to; i += w.stride {
			f := float64(x[i])
			s += f
			q += f * f
		}
		w.sum[c] += s
		w.sq[c] += q
	}
	if to-from > w.skip {
		n := (to - from - w.skip + w.stride - 1) / w.stride
		w.count += n
		w.skip += n * w.stride
	}
	w.skip -= to - from
	look := w.period
	if look == 0 {
		look = rate / 2
	}
	if float64(w.count*w.stride) < look || w.count < 16 {
		return
	}
	for c := range w.rms {
		mean := w.sum[c] / float64(w.count)
		w.rms[c] = math.Sqrt(math.Max(0, w.sq[c]/float64(w.count)-mean*mean))
		w.sum[c], w.sq[c] = 0, 0
	}
	w.count = 0
}

func (w *watch) gap() {
	clear(w.sum)
	clear(w.sq)
	w.count = 0
	if w.motion == Turning {
		w.motion = Unknown
	}
	w.quiet = 0
}

// edge follows the rhythm.
func (w *watch) edge(x *Extractor, v verdict) {
	if !v.good && v.drops == 0 {
		return
	}
	if x.judge.open() {
		w.quiet = float64(x.held.n) - x.judge.wheel.pos()
		w.late = math.Max(0.98*w.late, w.quiet)
	}
	if !v.good {
		return
	}
	speed := 2 * math.Pi * x.rate / v.period
	if w.period > 0 && w.motion == Turning {
		w.accel = (speed - w.speed) / (v.period / x.rate)
	} else {
		w.accel, w.fastest = 0, 0
	}
	w.speed, w.period, w.motion = speed, v.period, Turning
	w.fastest = math.Max(w.fastest, speed)
}

// turn remembers how much a turning rotor shakes.
func (w *watch) turn(t *Turn) {
	for c := range w.running {
		w.running[c] += (w.rms[c] - w.running[c]) / 8
	}
}

// silent decides what a tach without edges means.
func (w *watch) silent(x *Extractor) {
	if w.motion == Unknown && w.tach && w.quiet > 2*math.Pi/x.cfg.MinSpeed*x.rate && w.period == 0 {
		w.motion = Still
	}
	if w.period == 0 || w.quiet < overdue*w.period+w.late || w.motion != Turning && w.motion != LostTach {
		return
	}
	ranDown := w.accel < 0 && w.speed < runDownFrom*w.fastest
	quiet := true
	for c := range w.rms {
		if w.rms[c] > stillShare*w.running[c] {
			quiet = false
		}
	}
	w.motion = LostTach
	if ranDown || quiet { // whatever turns next may be another rotor
		w.motion = Still
		x.judge.forget()
		x.stops++
		x.meanAt = math.NaN()
	}
}
