package running

import (
	"fmt"

	"counterpoise/internal/acq"
	"counterpoise/internal/blades"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Config says where the sensor looks and what is known of the wheel.
type Config struct {
	Channel     int              // index of the distance sensor's channel
	Blades      int              // 0 = as many as pass
	Sensor      float64          // rad from the tach, with rotation, where the sensor looks
	SensorKnown bool             // otherwise angles from the mark are unknown, and blade 1 is the first after the mark
	Blade1      float64          // rad, angle of blade 1 from the mark, with rotation
	Blade1Known bool             // otherwise blade 1 is the first to pass after the mark
	Numbering   rotor.Convention // the way in which the numbers count up
	Radius      float64          // m, where it looks; 0 = unknown, then no pitch
	Side        blades.Side      // whether its reading grows downstream (zero value) or upstream
	Turns       int              // newest turns that are used; 0 = 400
}

// Track collects samples and turns. One goroutine feeds it.
type Track struct {
	cfg   Config
	turns *phase.Extractor
	setup *acq.Setup
	alone *acq.Setup // the same with this channel only, and without its end of range: between blades a distance sensor lies there
	parts []stretch
	kept  []turn
	first uint64
	edges int
	alike bool // the marks of a turn look alike
}

// stretch is samples without a gap.
type stretch struct {
	at float64 // s of board time of its first sample
	x  []float32
}

// turn is one revolution as the extractor accepted it.
type turn struct{ at, seconds, accel float64 }

const (
	defaultTurns = 400
	spareSeconds = 3 // of samples kept beside those of the turns: edges come late
)

// New makes an empty Track.
func New(cfg Config) *Track {
	if cfg.Turns <= 0 {
		cfg.Turns = defaultTurns
	}
	return &Track{cfg: cfg, turns: phase.NewExtractor(phase.Config{})}
}

// Add takes the next block; it copies what it keeps. A new set-up begins anew.
func (t *Track) Add(b *acq.Block) {
	if b == nil || b.Setup == nil || t.cfg.Channel < 0 || t.cfg.Channel >= len(b.Samples) {
		return
	}
	if t.setup != b.Setup {
		if t.setup == nil {
			t.first = b.Tick
		}
		t.setup, t.parts, t.kept = b.Setup, nil, nil
		one := *b.Setup
		one.Channels = []acq.Channel{b.Setup.Channels[t.cfg.Channel]}
		one.Channels[0].FullScale = 0
		t.alone = &one
	}
	at := float64(int64(b.Tick-t.first)) / b.Setup.TickHz
	t.edges += len(b.Edges)
	if n := len(t.parts); n == 0 || b.Gap != acq.NoLoss {
		t.parts = append(t.parts, stretch{at: at})
	}
	p := &t.parts[len(t.parts)-1]
	p.x = append(p.x, b.Samples[t.cfg.Channel]...)
	only := *b
	only.Setup, only.Samples = t.alone, b.Samples[t.cfg.Channel:t.cfg.Channel+1]
	t.turns.Add(&only, func(u *phase.Turn) {
		t.kept = append(t.kept, turn{u.Tick, u.Seconds, u.Accel})
		t.alike = t.alike || u.MarksAlike()
	})
	t.forget()
}

// forget drops the oldest turns and the samples before them.
func (t *Track) forget() {
	if extra := len(t.kept) - t.cfg.Turns; extra > 0 {
		t.kept = append(t.kept[:0], t.kept[extra:]...)
	}
	for i := range t.parts {
		p := &t.parts[i]
		end := p.at + float64(len(p.x))/t.setup.Rate
		from := end - spareSeconds
		if len(t.kept) > 0 {
			from = min(from, t.kept[0].at-1)
		} else if i == len(t.parts)-1 {
			from = end - 10*spareSeconds
		}
		if n := int((from - p.at) * t.setup.Rate); n > len(p.x)/2 && n > 4096 {
			n = min(n, len(p.x))
			p.x = append(p.x[:0], p.x[n:]...)
			p.at += float64(n) / t.setup.Rate
		}
	}
}

// Turns is how many turns the next Result will use.
func (t *Track) Turns() int { return len(t.kept) }

const fewTurns = 8

// ready says in one sentence why there is no result.
func (t *Track) ready() error {
	switch {
	case t.setup == nil:
		return fmt.Errorf("no samples of the distance sensor came, so no blade was seen: look at the channel and the source")
	case !t.setup.HasTach:
		return fmt.Errorf("the source has no tach, so nothing says which blade is which: put a mark on the fan's shaft and record it beside the sensor")
	case len(t.kept) < fewTurns && t.edges > 0:
		return fmt.Errorf("the tach gave %d edges but only %d whole revolutions were accepted, and %d are needed to see blades against the mark: clean the mark, or record longer", t.edges, len(t.kept), fewTurns)
	case len(t.kept) < fewTurns:
		return fmt.Errorf("the tach gave no edge, so nothing says which blade is which: look at the mark and the tach sensor")
	}
	return nil
}
