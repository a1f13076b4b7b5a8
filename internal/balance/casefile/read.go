package casefile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// Job is a case file turned inside: what the solver takes, and what is needed
// to write its answer the way the file was written.
type Job struct {
	Case       balance.Case
	Options    balance.Options
	Convention rotor.Convention
	Detector   rotor.Detector
	Unit       string

	trip     []float64 // [sensor] peak
	bearings *Bearings
	grounds  []ground // [plane]
	view     place.View
	notes    []balance.Verdict // on the file itself
}

// largest file that is read, bytes; a case is a few kilobytes.
const limit = 16 << 20

// Read reads a case. The error is one sentence that says what to mend.
func Read(r io.Reader) (Job, error) {
	b, err := io.ReadAll(io.LimitReader(r, limit+1))
	if err != nil {
		return Job{}, fmt.Errorf("the case could not be read: %w", err)
	}
	if len(b) > limit {
		return Job{}, fmt.Errorf("the case is larger than %d MB, which no case is: check that this is the right file", limit>>20)
	}
	if len(bytes.TrimSpace(b)) == 0 {
		return Job{}, errors.New("the case file is empty: write at least convention, planes, sensors and runs")
	}
	var f File
	ignored, err := decode(b, &f)
	if err != nil {
		return Job{}, err
	}
	j, err := f.Job()
	if len(ignored) > 0 {
		j.notes = append(j.notes, balance.Verdict{Code: "key-ignored", Text: fmt.Sprintf("Not known and ignored: %s. Check the spelling: what was meant there does not count.", strings.Join(ignored, ", "))})
	}
	return j, err
}

// Job turns the file inside.
func (f *File) Job() (Job, error) {
	var j Job
	var err error
	if f.Convention == "" {
		return j, errors.New("the case names no convention: write \"convention\": \"with-rotation\" or \"against-rotation\", whichever way the angles were counted")
	}
	if j.Convention, err = rotor.ParseConvention(f.Convention); err != nil {
		return j, err
	}
	if f.Detector != "" {
		if j.Detector, err = rotor.ParseDetector(f.Detector); err != nil {
			return j, err
		}
	}
	j.Unit = f.Unit
	if err := f.options(&j); err != nil {
		return j, err
	}
	c := &j.Case
	f.machine(c)
	for _, p := range f.Planes {
		plane, err := p.inside(j.Convention)
		if err != nil {
			return j, err
		}
		g, err := f.ground(&p, &plane)
		if err != nil {
			return j, err
		}
		c.Planes, j.grounds = append(c.Planes, plane), append(j.grounds, g)
	}
	if err := f.sight(&j); err != nil {
		return j, err
	}
	for _, s := range f.Sensors {
		c.Sensors = append(c.Sensors, balance.Sensor{Name: s.Name, Tolerance: s.Tolerance / j.Detector.OfPeak(),
			Slope: complex(s.SpeedExponent, 100*j.Convention.Radians(s.PhaseDegPerPcnt))})
	}
	for _, s := range f.Sensors {
		j.trip = append(j.trip, s.Trip/j.Detector.OfPeak())
	}
	if f.Machine != nil {
		j.bearings = f.Machine.Bearings
	}
	for i := range f.Runs {
		run, err := f.run(&j, i)
		if err != nil {
			return j, err
		}
		c.Runs = append(c.Runs, run)
	}
	if e := f.Errors; e != nil {
		c.Errors = balance.Errors{Mass: e.MassPercent / 100, Angle: e.AngleDeg * math.Pi / 180, Repeat: e.RepeatPercent / 100}
	}
	j.Options.Print = f.fingerprint(c)
	f.prior(&j)
	j.notes = doubts(c)
	return j, balance.Check(c)
}

// doubts asks after figures that look like a slip of unit: with them a weight
// seems to pull a thousandth of what it does, and no limit of force would hold it.
// The bounds are common practice, no source.
func doubts(c *balance.Case) (vs []balance.Verdict) {
	doubt := func(format string, args ...any) {
		vs = append(vs, balance.Verdict{Code: "unit-doubtful", Text: fmt.Sprintf(format, args...) + " Every force and tolerance here follows from it: check it before a weight is fitted."})
	}
	low := math.Inf(1)
	for _, r := range c.Runs {
		if r.Speed > 0 {
			low = math.Min(low, r.Speed)
		}
	}
	if m := c.Machine.Speed; m > 0 {
		low = math.Min(low, m)
	}
	if n := rotor.RPM(low); n < 60 {
		doubt("The speed is %.4g rpm, less than one turn a second. Was it meant in Hz? That would be %.4g rpm.", n, 60*n)
	}
	for _, p := range c.Planes {
		if p.Radius > 0 && p.Radius < 0.01 {
			doubt("The radius of plane %q is %.4g mm. Was it meant in metres? That would be %.4g mm.", p.Name, p.Radius*1e3, p.Radius*1e6)
		}
	}
	return vs
}

func (f *File) options(j *Job) error {
	if f.Options == nil {
		return nil
	}
	m, ok := balance.ParseMethod(f.Options.Method)
	if !ok {
		return fmt.Errorf("method %q is not known: write least-squares, tolerance-weighted, ridge or min-max", f.Options.Method)
	}
	if f.Options.Draws < 0 || f.Options.Draws > 1e6 {
		return fmt.Errorf("draws = %d: write 0 (default) to 1000000", f.Options.Draws)
	}
	j.Options = balance.Options{Method: m, Compromise: f.Options.Compromise, Draws: f.Options.Draws, Seed: f.Options.Seed}
	return nil
}

func (f *File) machine(c *balance.Case) {
	if f.SpeedRPM != nil {
		c.Machine.Speed = rotor.RadPerSecond(*f.SpeedRPM)
	}
	m := f.Machine
	if m == nil {
		return
	}
	c.Machine.Name, c.Machine.Mass, c.Machine.Grade = m.Name, m.MassKg, m.Grade*1e-3
	c.Machine.MaxSpeed, c.Machine.Power, c.Machine.Flexible = rotor.RadPerSecond(m.MaxSpeedRPM), m.PowerKW*1e3, m.Flexible
	c.Machine.Blades = m.Blades
}

func (p *Plane) inside(c rotor.Convention) (rotor.Plane, error) {
	out := rotor.Plane{Name: p.Name, Radius: p.RadiusMM * 1e-3, Z: p.ZMM * 1e-3, Cap: p.CapG * 1e-3, MaxForce: p.MaxForceN}
	if p.Positions < 0 || p.Positions > 3600 {
		return out, fmt.Errorf("plane %q has %d positions: write how many places there are, 1 to 3600, or leave it out", p.Name, p.Positions)
	}
	if p.Positions > 0 {
		out.Positions = rotor.EvenPositions(p.Positions, c.Radians(p.FirstDeg), c)
	}
	for _, n := range p.Forbidden {
		if n < 1 || n > p.Positions {
			return out, fmt.Errorf("plane %q forbids position %d: there are positions 1 to %d", p.Name, n, p.Positions)
		}
		out.Positions[n-1].Forbidden = true
	}
	for _, g := range p.MassesG {
		out.Masses = append(out.Masses, g*1e-3)
	}
	return out, nil
}

func runName(r *Run, i int) string {
	if r.Name != "" {
		return fmt.Sprintf("%q", r.Name)
	}
	return fmt.Sprintf("number %d", i+1)
}

func (f *File) run(j *Job, i int) (balance.Run, error) {
	r := &f.Runs[i]
	name := runName(r, i)
	out := balance.Run{Name: r.Name, State: r.State, Speed: j.Case.Machine.Speed}
	if r.SpeedRPM != nil {
		out.Speed = rotor.RadPerSecond(*r.SpeedRPM)
	}
	for _, w := range r.Weights {
		if w.MassG == nil || w.AngleDeg == nil {
			return out, fmt.Errorf("run %s has a weight in plane %q without mass_g or angle_deg: give both", name, w.Plane)
		}
		out.Weights = append(out.Weights, rotor.Weight{Plane: w.Plane, Mass: *w.MassG * 1e-3,
			Angle: j.Convention.Radians(*w.AngleDeg), Radius: w.RadiusMM * 1e-3})
	}
	if len(r.Vectors) == 0 {
		return out, fmt.Errorf("run %s has no readings: measure it, or take it out of the case", name)
	}
	for s, v := range r.Vectors {
		where := fmt.Sprintf("run %s, reading %d", name, s+1)
		vec, err := v.inside(j, where, r.Phase, f.Phase)
		if err != nil {
			return out, err
		}
		out.Vectors = append(out.Vectors, vec)
	}
	return out, nil
}

// inside turns one reading into a peak phasor; the sense of phase is that of
// the reading, else of the run, else of the file, else of the convention.
func (v *Vector) inside(j *Job, where, runPhase, filePhase string) (balance.Vector, error) {
	if v == nil {
		return balance.Vector{Missing: true}, nil
	}
	if v.Amplitude == nil {
		return balance.Vector{}, fmt.Errorf("%s has no amplitude: give it, or write null for a sensor that gave nothing", where)
	}
	if *v.Amplitude < 0 {
		return balance.Vector{}, fmt.Errorf("%s has the amplitude %g: an amplitude is never below zero, the sign belongs in the phase", where, *v.Amplitude)
	}
	word := v.Phase
	if word == "" {
		word = runPhase
	}
	if word == "" {
		word = filePhase
	}
	sense, err := rotor.ParsePhaseSense(word)
	if err != nil {
		return balance.Vector{}, fmt.Errorf("%s: %w", where, err)
	}
	peak := 1 / j.Detector.OfPeak()
	var out balance.Vector
	if v.PhaseDeg == nil {
		out.V, out.NoPhase = complex(*v.Amplitude*peak, 0), true
	} else {
		out.V = sense.Phasor(j.Convention, *v.Amplitude*peak, *v.PhaseDeg)
	}
	if v.StandardError != nil {
		se := *v.StandardError * peak
		if !(se >= 0) {
			return out, fmt.Errorf("%s has the standard error %g: it must be zero or above", where, *v.StandardError)
		}
		out.Cov, out.Known, out.DoF = rotor.Isotropic(se*se), true, v.DoF
	}
	return out, nil
}

func (f *FingerJSON) inside() balance.FingerPrint {
	p := balance.FingerPrint{Machine: f.Machine, Sensors: f.Sensors, Speed: rotor.RadPerSecond(f.SpeedRPM), Tach: f.Tach, Board: f.Board}
	for _, r := range f.RadiiMM {
		p.Radii = append(p.Radii, r*1e-3)
	}
	return p
}

// fingerprint is that of the file, or what the case itself says.
func (f *File) fingerprint(c *balance.Case) balance.FingerPrint {
	if f.FingerPrint != nil {
		return f.FingerPrint.inside()
	}
	p := balance.FingerPrint{Machine: c.Machine.Name, Speed: c.Machine.Speed}
	for _, s := range c.Sensors {
		p.Sensors = append(p.Sensors, s.Name)
	}
	for _, q := range c.Planes {
		p.Radii = append(p.Radii, q.Radius)
	}
	return p
}

func (f *File) prior(j *Job) {
	if f.Prior == nil {
		return
	}
	p := &balance.Prior{Jobs: f.Prior.Jobs, SD: make([][]float64, len(f.Prior.Scatter))}
	k := 1e3 / j.Detector.OfPeak() // per gram in the detector's number -> per kg peak
	for _, row := range f.Prior.Influence {
		var out []complex128
		for _, v := range row {
			out = append(out, j.Convention.Phasor(v.Amplitude*k, v.PhaseDeg))
		}
		p.Mean = append(p.Mean, out)
	}
	for s, row := range f.Prior.Scatter {
		for _, sd := range row {
			p.SD[s] = append(p.SD[s], sd*k)
		}
	}
	if f.Prior.FingerPrint != nil {
		p.Print = f.Prior.FingerPrint.inside()
	}
	j.Options.Prior = p
}
