package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/blades"
	"counterpoise/internal/blades/running"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum/poweroff"
	"counterpoise/internal/station/trace"
)

// Follower is a Source that follows a change of speed or the passing blades; a
// *station.Station is one.
type Follower interface {
	Follow(ctx context.Context, t *trace.Trace) error
	Replay(ctx context.Context, src acq.Source, t *trace.Trace) error
}

// followed is what a station follows at present, and the newest result.
type followed struct {
	mu     sync.Mutex
	trace  *trace.Trace
	cancel context.CancelFunc // ends the following; nil = nothing is followed
	is     string             // following, working, done, failed; empty = nothing yet
	from   string             // live or recording
	self   bool               // the virtual fan is switched by itself
	speed  *trace.SpeedResult
	track  *trace.TrackResult
	bad    string // why there is no result
	serial int    // grows with every change that the page must be built anew for
}

// The words of followed.is.
const (
	traceFollowing = "following"
	traceWorking   = "working"
	traceDone      = "done"
	traceFailed    = "failed"
)

// traceAsk is what a person asks of a trace.
type traceAsk struct {
	Do        string   `json:"do"`        // speed, track, end, stop-fan
	Recording bool     `json:"recording"` // the station's recording instead of what comes now
	By        string   `json:"by"`
	Confirmed []string `json:"confirmed"`

	Motor float64 `json:"motor_ratio"` // turns of the motor for one of the fan
	Belt  float64 `json:"belt_ratio"`

	Channel   string   `json:"channel"`
	Blades    int      `json:"blades"`
	Turns     int      `json:"turns"`
	SensorDeg *float64 `json:"sensor_deg"`
	Blade1Deg *float64 `json:"blade_1_deg"`
	RadiusMM  float64  `json:"radius_mm"`
	Against   bool     `json:"against_rotation"` // the numbers count up against rotation
	Upstream  bool     `json:"grows_upstream"`   // the sensor's reading does
	Job       string   `json:"job"`              // whose survey at standstill stands beside it

	given acq.Source // a recording that was sent along; whoever follows it closes it
}

// traceCautions must be ticked before a real machine is followed: somebody will
// switch it, or it turns already.
var traceCautions = []string{"guards", "clear", "coast", "allowed"}

// begin starts following on the desk's time.
func (f *followed) begin(d *desk, from string, t *trace.Trace, self bool, work func(ctx context.Context) error, result func() error) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.is == traceFollowing || f.is == traceWorking {
		return errors.New(say("trace.busy"))
	}
	ctx, cancel := context.WithCancel(d.ctx)
	f.trace, f.cancel, f.is, f.from, f.self, f.bad = t, cancel, traceFollowing, from, self, ""
	f.speed, f.track = nil, nil
	f.serial++
	d.work.Go(func() {
		defer cancel()
		err := work(ctx)
		f.turn(traceWorking, nil)
		if err == nil && d.ctx.Err() == nil {
			err = result()
		}
		is := traceDone
		if err != nil || d.ctx.Err() != nil {
			is = traceFailed
		}
		f.turn(is, err)
	})
	return nil
}

func (f *followed) turn(is string, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.is = is
	f.serial++
	if is != traceWorking {
		f.cancel = nil
	}
	if err != nil {
		f.bad = err.Error()
	}
}

// enough ends the following; what was seen is worked out.
func (f *followed) enough() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.is != traceFollowing {
		return errors.New(say("trace.nothing"))
	}
	f.cancel()
	return nil
}

// traceDo does what a person asked.
func (s *Server) traceDo(ctx context.Context, st *Station, a traceAsk, v View) error {
	f, ok := st.Source.(Follower)
	if !ok {
		return errors.New(say("trace.cannot"))
	}
	switch a.Do {
	case "end":
		return st.followed.enough()
	case "stop-fan":
		if st.Fan == nil {
			return errors.New(say("rig.none"))
		}
		st.Fan.Stop()
		return nil
	case "speed", "track":
	default:
		return fmt.Errorf(say("trace.unknown"), a.Do)
	}
	if err := traceCautioned(st, a); err != nil {
		return err
	}
	c, standing, err := s.traceConfig(ctx, st, a, v)
	if err != nil {
		return err
	}
	t := trace.New(c)
	from, self, work := "live", false, func(ctx context.Context) error { return f.Follow(ctx, t) }
	if a.Recording {
		open := st.Recording
		if a.given != nil {
			open = func() (acq.Source, error) { return a.given, nil }
		}
		if open == nil {
			return errors.New(say("trace.norecording"))
		}
		from, work = "recording", func(ctx context.Context) error {
			src, err := open()
			if err != nil {
				return err
			}
			return f.Replay(ctx, src, t)
		}
	} else if st.Fan != nil {
		if st.Fan.State().Motion == rig.Still {
			if err := st.Fan.Start(); err != nil {
				return err
			}
		}
		self = a.Do == "speed"
	}
	if self {
		follow := work
		work = func(ctx context.Context) error { return throwing(ctx, st, t, follow) }
	}
	return st.followed.begin(s.desk, from, t, self, work, func() error { return st.followed.result(t, standing) })
}

// result works out what was seen.
func (f *followed) result(t *trace.Trace, standing *blades.Survey) (err error) {
	var speed *trace.SpeedResult
	var track *trace.TrackResult
	if t.Kind() == trace.Speed {
		if speed, err = t.SpeedResult(); err == nil && speed.FitRefused != nil && speed.PowerRefused != nil {
			err = speed.FitRefused
		}
	} else {
		track, err = t.TrackResult(standing)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if err == nil {
		f.speed, f.track = speed, track
	}
	return err
}

// traceCautioned demands the cautions on a real machine.
func traceCautioned(st *Station, a traceAsk) error {
	if st.Fan != nil || a.Recording {
		return nil
	}
	for _, c := range traceCautions {
		if !slices.Contains(a.Confirmed, c) {
			return fieldError{"confirmed", fmt.Sprintf(say("job.uncautioned"), say("trace.caution."+c))}
		}
	}
	return nil
}

// throwLook is how often it is looked whether the virtual fan may be switched off.
const throwLook = 200 * time.Millisecond

// throwing follows while the virtual fan is switched off by itself, once it has
// run steadily for long enough.
func throwing(ctx context.Context, st *Station, t *trace.Trace, follow func(context.Context) error) error {
	ctx, cancel := context.WithCancel(ctx)
	var hand sync.WaitGroup
	hand.Go(func() {
		for pause(ctx, throwLook) {
			if p := t.Progress(); st.Fan.State().AtSpeed && p.Steady > trace.SteadySeconds {
				st.Fan.Stop()
				return
			}
		}
	})
	defer hand.Wait()
	defer cancel()
	return follow(ctx)
}

// traceConfig is what is known of the machine and what the person said.
func (s *Server) traceConfig(ctx context.Context, st *Station, a traceAsk, v View) (c trace.Config, standing *blades.Survey, err error) {
	m := st.Config.Machine
	c = trace.Config{Kind: trace.Kind(a.Do), Orders: st.Config.Orders, Whole: a.Recording,
		Power: poweroff.Config{Blades: m.Blades, Motor: a.Motor, Belt: a.Belt}}
	switch {
	case !(a.Motor >= 0 && a.Motor < 100):
		return c, nil, fieldError{"motor", say("trace.ratio.wrong")}
	case !(a.Belt >= 0 && a.Belt < 100):
		return c, nil, fieldError{"belt", say("trace.ratio.wrong")}
	case c.Kind == trace.Speed:
		return c, nil, nil
	case a.Blades != 0 && (a.Blades < blades.MinBlades || a.Blades > blades.MaxBlades):
		return c, nil, fieldError{"blades", fmt.Sprintf(say("survey.blades.wrong"), blades.MinBlades, blades.MaxBlades)}
	case a.Turns < 0 || a.Turns > 2000:
		return c, nil, fieldError{"turns", say("trace.turns.wrong")}
	case !(a.RadiusMM >= 0 && a.RadiusMM < 1e5):
		return c, nil, fieldError{"radius", say("trace.radius.wrong")}
	}
	c.Channel = a.Channel
	c.Blades = running.Config{Blades: a.Blades, Turns: a.Turns, Radius: a.RadiusMM * 1e-3}
	if a.Against {
		c.Blades.Numbering = rotor.AgainstRotation
	}
	if a.Upstream {
		c.Blades.Side = blades.Upstream
	}
	if d := a.SensorDeg; d != nil && finite(*d) {
		c.Blades.Sensor, c.Blades.SensorKnown = v.Convention.Radians(math.Mod(*d, 360)), true
	}
	if d := a.Blade1Deg; d != nil && finite(*d) {
		c.Blades.Blade1, c.Blades.Blade1Known = v.Convention.Radians(math.Mod(*d, 360)), true
	}
	if a.Job == "" {
		return c, nil, nil
	}
	b, err := s.desk.get(ctx, st, a.Job)
	if err != nil {
		return c, nil, err
	}
	sh, _, err := b.begunSheet(ctx)
	if err != nil {
		return c, nil, err
	}
	if len(sh.Readings) == 0 {
		return c, nil, fieldError{"job", say("trace.nosurvey")}
	}
	file, err := sh.file()
	if err == nil {
		standing, err = file.Survey()
	}
	if err != nil {
		return c, nil, fieldError{"job", err.Error()}
	}
	c.Blades.Numbering = standing.Numbering
	return c, standing, nil
}
