package web

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/job"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Comparison is two readings, of one job or of two, and their difference, sensor
// by sensor. Angles are in the convention of the first reading's job.
type Comparison struct {
	Schema   int          `json:"schema"`
	A        int          `json:"a"` // events of the readings
	B        int          `json:"b"`
	NameA    string       `json:"name_a"`
	NameB    string       `json:"name_b"`
	JobA     string       `json:"job_a"` // ids
	JobB     string       `json:"job_b"`
	Warnings []string     `json:"warnings"` // why the two may not belong beside each other
	Sensors  []Difference `json:"sensors"`
}

// Difference is b - a of one sensor at 1x. Amount and phase are those of the
// difference vector; it is surely a change where its 95 % region leaves out zero.
type Difference struct {
	Sensor   string `json:"sensor"`
	A        Amount `json:"a"`
	PhaseA   Amount `json:"phase_a"`
	OverallA Amount `json:"overall_a"`
	B        Amount `json:"b"`
	PhaseB   Amount `json:"phase_b"`
	OverallB Amount `json:"overall_b"`
	Change   Amount `json:"change"`
	Phase    Amount `json:"change_phase"`
	Changed  bool   `json:"changed"`
}

// sample is one reading in its job.
type sample struct {
	job   string
	state job.State
	run   job.Run
}

// sampleOf finds a reading that counts.
func sampleOf(id string, s job.State, event int) (sample, error) {
	for _, r := range s.Runs {
		if r.Event == event {
			return sample{id, s, r}, nil
		}
	}
	return sample{}, fmt.Errorf(say("compare.none"), event)
}

// compare sets two readings against each other. The difference carries the
// covariances of both and, across a stop or between jobs, the scatter from
// run-up to run-up, the larger one of the two jobs'.
func compare(a, b sample, v View) (Comparison, error) {
	out := Comparison{Schema: 1, A: a.run.Event, B: b.run.Event, NameA: a.run.Name, NameB: b.run.Name, JobA: a.job, JobB: b.job, Warnings: unlike(a, b), Sensors: []Difference{}}
	repeat := 0.0
	if a.job != b.job || a.run.Begun != b.run.Begun {
		for _, s := range []sample{a, b} {
			repeat = max(repeat, s.state.Setup.Errors.Repeat, s.state.Repeatability())
		}
	}
	for i, sen := range a.state.Setup.Sensors {
		k := indexOf(b.state.Setup.Sensors, sen)
		x, okX := componentOf(a.run.Reading, sen)
		y, okY := componentOf(b.run.Reading, sen)
		if k < 0 || !okX || !okY {
			continue
		}
		sc := v.velocity()
		f, unit := sc.factor(), sc.Label()
		if sen.Raw {
			f, unit = 1, "raw peak"
		}
		d := y.Value - x.Value
		size := math.Hypot(cmplx.Abs(x.Value), cmplx.Abs(y.Value)) * repeat
		r := region(x.Cov.Add(y.Cov).Add(rotor.Isotropic(size * size)))
		line := Difference{Sensor: sen.Name, Changed: cmplx.Abs(d) > r, OverallA: overallIn(a.run, i, v), OverallB: overallIn(b.run, k, v)}
		write := func(z complex128, r float64) (Amount, Amount) {
			_, deg := a.state.Setup.Convention.Polar(z)
			return measured(cmplx.Abs(z)*f, r*f, unit), phaseAmount(deg, r, cmplx.Abs(z))
		}
		line.A, line.PhaseA = write(x.Value, region(x.Cov))
		line.B, line.PhaseB = write(y.Value, region(y.Cov))
		line.Change, line.Phase = write(d, r)
		out.Sensors = append(out.Sensors, line)
	}
	if len(out.Sensors) == 0 {
		return out, errors.New(say("compare.nosensor"))
	}
	return out, nil
}

// alikeSpeed is how far two speeds may differ, relative, before the 1x of a fan
// changes by more than a balance tolerance would: unbalance force goes with the
// square of the speed.
const alikeSpeed = 0.02

// unlike says why two readings may not belong beside each other.
func unlike(a, b sample) []string {
	out := []string{}
	x, y := a.state.Setup, b.state.Setup
	if x.Fingerprint != y.Fingerprint {
		out = append(out, say("compare.print"))
	}
	if x.Machine.Name != y.Machine.Name {
		out = append(out, fmt.Sprintf(say("compare.machine"), x.Machine.Name, y.Machine.Name))
	}
	p, q := a.run.Reading.Speed, b.run.Reading.Speed
	if math.Abs(p-q) > alikeSpeed*math.Max(p, q) {
		out = append(out, fmt.Sprintf(say("compare.speed"), rotor.RPM(p), rotor.RPM(q)))
	}
	if a.run.Shape != b.run.Shape && a.job == b.job {
		out = append(out, say("compare.shape"))
	}
	return out
}

func indexOf(list []job.Sensor, sen job.Sensor) int {
	for i, s := range list {
		if s.Name == sen.Name && s.Raw == sen.Raw {
			return i
		}
	}
	return -1
}

func overallIn(r job.Run, sensor int, v View) Amount {
	sc := v.Scale.level()
	if sensor >= len(r.Overall) || !(r.Overall[sensor] > 0) {
		return unknown(sc.Label())
	}
	return plain(r.Overall[sensor]*sc.Unit.PerSI, 3, sc.Label())
}

// region is the 95 % radius of a vector whose covariance is known: the larger
// axis times sqrt(-2 ln 0.05) (two-dimensional normal distribution).
func region(c rotor.Cov) float64 {
	major, _, _ := c.Principal()
	return math.Sqrt(-2*math.Log(0.05)) * major
}

func componentOf(r *phase.Reading, sen job.Sensor) (phase.Component, bool) {
	q := rotor.Velocity
	if sen.Raw {
		q = rotor.Raw
	}
	for i, c := range r.Channels {
		if c.Name == sen.Name {
			return r.In(i, 1, q)
		}
	}
	return phase.Component{}, false
}
