package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"counterpoise/internal/acq"
	"counterpoise/internal/balance"
	"counterpoise/internal/job"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// autoAnswer is what demo --auto --json prints.
type autoAnswer struct {
	Schema    int       `json:"schema"`
	Rig       string    `json:"rig"`
	Seed      uint64    `json:"seed"`
	OK        bool      `json:"ok"`
	Why       string    `json:"why"`
	Runs      []autoRun `json:"runs"`
	Residual  float64   `json:"residual_mm_s"`
	Radius95  float64   `json:"residual_radius95_mm_s"`
	Tolerance float64   `json:"tolerance_mm_s"`
	Frames    uint64    `json:"frames"`
	Refused   uint64    `json:"frames_refused"`
	Dropped   uint64    `json:"blocks_dropped"`
}

type autoRun struct {
	Name   string  `json:"name"`
	Sensor string  `json:"sensor"`
	Worst  float64 `json:"worst_mm_s"`
}

// runAuto balances a virtual fan unattended, over the same bytes on the same
// pseudo-terminal as a real board, only faster than the wall clock.
func runAuto(ctx context.Context, e env, r *rig.Rig, name string, seed uint64, asJSON bool) error {
	dir, err := os.MkdirTemp("", "counterpoise-job-")
	if err != nil {
		return fmt.Errorf("make a place for the job file: %w", err)
	}
	defer os.RemoveAll(dir)
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	if err := r.SetPace(0); err != nil {
		return err
	}
	u, err := newUnattended(ctx, r, filepath.Join(dir, "job.jsonl"))
	if err != nil {
		return err
	}
	defer u.job.Close()
	a, err := u.run(ctx)
	if err != nil {
		return err
	}
	a.Rig, a.Seed = name, seed
	if asJSON {
		if err := json.NewEncoder(e.stdout).Encode(a); err != nil {
			return err
		}
	} else {
		a.print(e.stdout)
	}
	if !a.OK {
		return fmt.Errorf("the fan did not end inside its tolerance: %s", a.Why)
	}
	return nil
}

// unattended is a virtual fan, the station that measures it and the job that
// balances it.
type unattended struct {
	rig  *rig.Rig
	word string
	src  acq.Source
	st   *station.Station
	job  *job.Job
}

// newUnattended puts the fan on a wire, opens the far end and the job file.
func newUnattended(ctx context.Context, r *rig.Rig, file string) (*unattended, error) {
	word, err := serveRig(ctx, r, "")
	if err != nil {
		return nil, err
	}
	quiet := slog.New(slog.DiscardHandler)
	src, err := acq.Open(word, acq.Options{Log: quiet, Hold: true})
	if err != nil {
		return nil, err
	}
	j, err := job.Open(file)
	if err != nil {
		src.Close()
		return nil, err
	}
	return &unattended{r, word, src, station.New(rigStation(r, word), src, quiet), j}, nil
}

// run carries the job through to its end.
func (u *unattended) run(ctx context.Context) (autoAnswer, error) {
	var res job.Result
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		if err := u.st.Run(ctx); err != nil {
			return err
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		return errStationEnded // the job decides when all is over
	})
	g.Go(func() (err error) {
		res, err = job.Auto(ctx, job.AutoConfig{
			Job: u.job, Setup: rigSetup(u.rig, u.word), Instrument: u.st, Rotor: virtualRotor{u.rig, u.st}, Now: time.Now,
			Ask: job.Ask{MinTurns: 64, MaxTurns: 512, StandardError: rigTolerance(u.rig) / 30},
		})
		if err != nil {
			return err
		}
		return errJobDone
	})
	if err := g.Wait(); !errors.Is(err, errJobDone) {
		return autoAnswer{}, err
	}
	return u.answer(res), nil
}

func (u *unattended) answer(res job.Result) autoAnswer {
	c := u.src.Counts()
	a := autoAnswer{Schema: 1, OK: res.OK, Why: res.Why, Residual: milli(res.Residual), Radius95: milli(res.Radius95),
		Tolerance: milli(res.Tolerance), Frames: c.Frames, Dropped: c.DroppedBlocks}
	for _, n := range c.Refused {
		a.Refused += n
	}
	for _, run := range res.Runs {
		a.Runs = append(a.Runs, autoRun{run.Name, run.Sensor, milli(run.Worst)})
	}
	return a
}

var (
	errStationEnded = errors.New("the source ended before the job was done")
	errJobDone      = errors.New("the job is done")
)

// milli turns a peak value in m/s into mm/s rms.
func milli(peak float64) float64 { return peak * rotor.RMS.OfPeak() * 1e3 }

func (a autoAnswer) print(w io.Writer) {
	fmt.Fprintf(w, "virtual fan %s, seed %d (invented, no real machine)\n", a.Rig, a.Seed)
	for _, r := range a.Runs {
		fmt.Fprintf(w, "  %-28s %8.3f mm/s rms at 1x (%s)\n", r.Name, r.Worst, r.Sensor)
	}
	fmt.Fprintf(w, "residual %.3f mm/s, 95 %% within +-%.3f; tolerance %.3f mm/s rms: %s\n", a.Residual, a.Radius95, a.Tolerance, a.Why)
}

// rigSetup describes a virtual fan to a job.
func rigSetup(r *rig.Rig, word string) job.Setup {
	u := job.Setup{
		Name: r.Describe().Name, Machine: r.Machine(), Planes: r.Planes(), Source: word, Virtual: true,
		// What a careful person achieves with a kitchen scale and a protractor.
		Errors: balance.Errors{Mass: 0.01, Angle: math.Pi / 180, Repeat: 0.005},
	}
	for _, name := range r.Describe().Channels {
		if name == "track" {
			continue // looks at the blades, not at the vibration
		}
		u.Sensors = append(u.Sensors, job.Sensor{Name: name, Direction: rigDirections[name], Tolerance: rigTolerance(r)})
	}
	return u
}

// rigDirections are where the sensors of the virtual fans point.
var rigDirections = map[string]string{
	"DE-H": "drive end, horizontal", "DE-V": "drive end, vertical", "DE-A": "drive end, axial",
	"NDE-H": "non-drive end, horizontal", "NDE-V": "non-drive end, vertical",
}

// rigTolerance is the 1x tolerance of a virtual fan in m/s peak. It is invented
// like the fan: about what its grade of G 6.3 leaves at the worst bearing.
func rigTolerance(r *rig.Rig) float64 {
	mm := 0.7 // mm/s rms
	switch m := r.Machine(); {
	case m.Mass > 95:
		mm = 0.35
	case m.Mass > 10:
		mm = 0.45
	}
	return mm * 1e-3 / rotor.RMS.OfPeak()
}

// virtualRotor lets an unattended job handle the virtual fan.
type virtualRotor struct {
	r  *rig.Rig
	st *station.Station
}

func (v virtualRotor) Start(ctx context.Context) error {
	if err := v.r.Start(); err != nil {
		return err
	}
	return v.until(ctx, func(s rig.State) bool { return s.AtSpeed })
}

func (v virtualRotor) Stop(ctx context.Context) error {
	v.r.Stop()
	return v.until(ctx, func(s rig.State) bool { return s.Motion == rig.Still })
}

func (v virtualRotor) Fit(_ context.Context, total []rotor.Weight) error { return v.r.Fit(total) }

// until waits while the rotor runs up or down; the board's time goes on with
// every snapshot, however fast it runs.
func (v virtualRotor) until(ctx context.Context, done func(rig.State) bool) error {
	var seen uint64
	for !done(v.r.State()) {
		n, err := v.st.Wait(ctx, seen)
		if err != nil {
			return fmt.Errorf("the virtual fan did not reach its state: %w", err)
		}
		seen = n.Serial
	}
	return nil
}
