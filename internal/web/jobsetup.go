package web

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"counterpoise/internal/job"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/store"
)

// newJob is what a person says when a job begins.
type newJob struct {
	Name      string  `json:"name"`
	By        string  `json:"by"`
	Side      string  `json:"side"`               // from which the rotor is looked at and drawn
	Clockwise bool    `json:"clockwise"`          // seen from there
	Starts    int     `json:"starts_per_hour"`    // 0 = no limit known
	AbortMMS  float64 `json:"abort_mm_s"`         // rms; 0 = none
	Tolerance float64 `json:"tolerance_mm_s"`     // rms at 1x for every sensor; 0 = as configured, else from the grade
	Stays     bool    `json:"trial_weights_stay"` // trial weights stay on for the following runs
}

// setupFor is the set-up of a job on a station: what is configured and what
// the person said.
func setupFor(st *Station, n newJob) (job.Setup, error) {
	u := st.Setup
	if len(u.Sensors) == 0 {
		u = configured(st)
	} else if u.Fingerprint == "" {
		u.Fingerprint = configured(st).Fingerprint
	}
	switch {
	case len(u.Sensors) == 0:
		return u, errors.New(say("job.nosensors"))
	case len(u.Planes) == 0:
		return u, errors.New(say("job.noplanes"))
	case strings.TrimSpace(n.Side) == "":
		return u, fieldError{"side", say("job.side.missing")}
	case n.Starts < 0 || n.Starts > 60:
		return u, fieldError{"starts", say("job.starts.wrong")}
	case !(n.AbortMMS >= 0 && n.AbortMMS < 1000):
		return u, fieldError{"abort", say("job.level.wrong")}
	case !(n.Tolerance >= 0 && n.Tolerance < 1000):
		return u, fieldError{"tolerance", say("job.level.wrong")}
	}
	peak := 1e-3 / rotor.RMS.OfPeak()
	u.Name, u.Side, u.Clockwise, u.StartsPerHour, u.Abort, u.TrialStays = n.Name, strings.TrimSpace(n.Side), n.Clockwise, n.Starts, n.AbortMMS*peak, n.Stays
	u.Sensors = append([]job.Sensor(nil), u.Sensors...)
	for i := range u.Sensors {
		if n.Tolerance > 0 && !u.Sensors[i].Raw {
			u.Sensors[i].Tolerance = n.Tolerance * peak
		}
	}
	return u, nil
}

// configured is the set-up that station.toml and the source amount to.
func configured(st *Station) job.Setup {
	c := st.Config
	u := job.Setup{Machine: c.Machine, Planes: c.Planes, Convention: c.Convention, Source: c.Source, Virtual: st.Fan != nil}
	snap := st.Latest()
	for _, ch := range c.Channels {
		u.Sensors = append(u.Sensors, job.Sensor{Name: ch.Name, Direction: ch.Direction, Tolerance: ch.Tolerance})
	}
	if snap == nil || snap.Setup == nil {
		return u
	}
	u.Fingerprint = snap.Setup.Fingerprint()
	if len(u.Sensors) == 0 {
		for _, ch := range snap.Setup.Channels {
			u.Sensors = append(u.Sensors, job.Sensor{Name: ch.Name})
		}
	}
	for i := range u.Sensors {
		for _, ch := range snap.Setup.Channels {
			u.Sensors[i].Raw = u.Sensors[i].Raw || ch.Name == u.Sensors[i].Name && ch.Quantity == rotor.Raw
		}
	}
	return u
}

// create begins a job and puts it into the hand of who began it.
func (d *desk) create(ctx context.Context, st *Station, n newJob) (*bench, error) {
	if d.jobs == nil {
		return nil, errNoJobs
	}
	if n.By = strings.TrimSpace(n.By); n.By == "" {
		return nil, fieldError{"by", say("job.by.missing")}
	}
	if n.Name = strings.TrimSpace(n.Name); n.Name == "" || len(n.Name) > 200 {
		return nil, fieldError{"name", say("job.name.missing")}
	}
	u, err := setupFor(st, n)
	if err != nil {
		return nil, err
	}
	if err := d.remember(ctx, st.Name(), &u); err != nil {
		return nil, err
	}
	events := []job.Event{{Kind: job.KindOperator}, {Kind: job.KindSetup, Setup: &u}}
	if u.Virtual && st.Fan != nil { // a job counts its weights from the rotor as found
		switch f := st.Fan.State(); {
		case f.Motion == rig.Still:
			if err := st.Fan.Fit(nil); err != nil {
				return nil, err
			}
		case len(f.Weights) > 0:
			return nil, fmt.Errorf(say("job.create.turning"), rotor.RPM(f.Speed))
		default:
			events = append(events, job.Event{Kind: job.KindStarted, Purpose: job.AlreadyRunning})
		}
	}
	id, err := d.jobs.Create(ctx, store.NewJob{Name: n.Name, Station: st.Name(), At: d.now()})
	if err != nil {
		return nil, err
	}
	b, err := d.get(ctx, st, id)
	if err != nil {
		return nil, err
	}
	st.trend.way.begin()
	for _, e := range events {
		e.At, e.By = d.now(), n.By
		if _, err := b.job.Append(ctx, e); err != nil {
			return b, err
		}
	}
	return b, nil
}
