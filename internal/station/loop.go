package station

import (
	"math/cmplx"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
)

// loop is what the station's one goroutine owns: everything that looks at
// every block, in order.
type loop struct {
	s       *Station
	phase   *phase.Extractor
	rolling *phase.Average // what the page and the metrics show
	scatter scatter
	taking  *taker    // the reading somebody waits for; nil most of the time
	trace   *follower // the change of speed or the blades that somebody follows; nil most of the time
	setup   *acq.Setup
	shown   time.Time
	latency Latencies
	level   float64 // highest 1x velocity since the last snapshot, m/s peak
	spectra *spectrum.Averager
	levels  *spectrum.Levels
	supply  float64 // Hz, line frequency as the newest spectra show it; 0 = not asked for, or not seen
	wave    wave
	arrived time.Time // when the present block came to this computer
}

// rollingTurns is how many of the newest turns the live view averages: a few
// seconds of a fan, enough for a steady hand, short enough to follow it.
const rollingTurns = 64

// The live spectrum tells lines a third of a hertz apart, up to the top of the
// severity band: fine enough to part twice line from twice speed within seconds.
const (
	spectrumLines = 3200
	spectrumHz    = 1000
)

// levelSeconds is the time constant of the live levels.
const levelSeconds = 5

func newLoop(s *Station) *loop {
	return &loop{
		s:       s,
		phase:   phase.NewExtractor(phase.Config{Orders: s.cfg.Orders}),
		rolling: phase.NewAverage(phase.AverageConfig{Turns: rollingTurns}),
		spectra: spectrum.New(spectrum.Config{Lines: spectrumLines, MaxHz: spectrumHz, Mode: spectrum.Exponential}),
		levels:  spectrum.NewLevels(spectrum.LevelsConfig{Seconds: levelSeconds, Speed: s.cfg.Machine.Speed}),
	}
}

func (l *loop) block(b *acq.Block) {
	if l.arrived = b.Arrived; l.arrived.IsZero() { // a file's blocks did not arrive
		l.arrived = time.Now()
	}
	if b.Setup != l.setup || b.Gap != acq.NoLoss { // an average never spans a gap
		l.setup = b.Setup
		l.rolling.Reset()
		l.scatter.reset()
		if l.taking != nil {
			l.taking.restart()
		}
	}
	l.listen()
	l.phase.Add(b, l.turn)
	if l.taking != nil && l.taking.hear(b) {
		l.taking = nil
	}
	l.follow(b)
	l.spectra.Add(b)
	l.levels.Add(b)
	l.wave.add(b)
	if now := time.Now(); now.Sub(l.shown) >= publishEvery {
		l.shown = now
		l.publish()
	}
}

// listen takes up a waiting request for a reading and lets go of one that
// nobody waits for any more.
func (l *loop) listen() {
	if l.taking != nil && l.taking.ctx.Err() != nil {
		l.taking = nil
	}
	if l.taking == nil {
		select {
		case l.taking = <-l.s.asks:
		default:
		}
	}
}

func (l *loop) turn(t *phase.Turn) {
	high := level(t, l.setup)
	l.s.turns.publish(t, high)
	l.latency.add(time.Since(l.arrived))
	if l.taking != nil && len(l.s.cfg.Beside) > 0 {
		l.taking.avg.Beside(l.beside())
	}
	if l.taking != nil && l.taking.add(t, l.rolling) {
		if l.taking.finish() {
			l.taking = nil
		}
	}
	l.rolling.Add(t)
	l.scatter.add(t, len(l.setup.Channels))
	l.level = max(l.level, high)
}

// level is the highest 1x velocity of a turn, m/s peak.
func level(t *phase.Turn, setup *acq.Setup) float64 {
	top := 0.0
	for c := range setup.Channels {
		v, ok := t.Value(c, 1)
		if !ok {
			continue
		}
		if v, err := rotor.Convert(v, setup.Channels[c].Quantity, rotor.Velocity, t.Speed); err == nil {
			top = max(top, cmplx.Abs(v))
		}
	}
	return top
}

func (l *loop) publish() {
	st := l.phase.State()
	l.s.publish(func(n *Snapshot) {
		n.Motion, n.Speed, n.Accel = st.Motion, st.Speed, st.Accel
		n.Level = l.level
		n.Turns, n.Dropped, n.Latency = st.Turns, l.phase.Dropped(), l.latency
		n.Beside = l.s.shafts()
		n.Reading = nil
		if st.Motion == phase.Turning && l.rolling.Turns() >= 2 {
			l.rolling.Beside(l.beside())
			r := l.rolling.Reading()
			n.Reading = &r
		} else {
			l.scatter.reset()
		}
		n.PhaseScatter = l.scatter.phases()
		if serial := l.spectra.Serial(); serial != n.SpectrumSerial {
			n.Spectra, n.SpectrumSerial = l.spectra.Latest(), serial
			l.hearSupply(n.Spectra, st.Speed)
		}
		n.Levels = l.levels.Latest()
		if w := l.wave.take(); w != nil {
			n.Waveform = w
		}
	})
	l.level = 0
}
