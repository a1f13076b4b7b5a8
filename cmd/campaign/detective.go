package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/detective"
	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// layout is a kind of machine with made-up influence coefficients.
type layout struct {
	name            string
	planes, sensors int
	overhung        bool
	want            float64 // least share of slips named right
}

var layouts = []layout{
	{"two planes, 4 sensors", 2, 4, false, 0.90},
	{"two planes, 2 sensors", 2, 2, false, 0.90},
	{"overhung, 2 sensors", 2, 2, true, 0.75},
	{"one plane, 2 sensors", 1, 2, false, 0.75},
	{"one plane, 1 sensor", 1, 1, false, 0.75},
}

const (
	sigma  = 0.08 // mm/s, noise of a reading per axis
	repeat = 0.01 // relative run-to-run scatter of a vector per axis
	mishap = 0.01 // relative error of a mass, and rad of a placing
)

// influence in mm/s per kg at the plane's radius, made up.
func (l layout) influence(r *rand.Rand) [][]complex128 {
	turn := func(sd float64) complex128 { return cmplx.Rect(math.Exp(0.2*r.NormFloat64()), sd*r.NormFloat64()) }
	shape := [][]float64{{1, 0.3}, {0.3, 1}}
	if l.overhung {
		shape = [][]float64{{1, 1.2}, {-0.35, -0.6}}
	}
	out := make([][]complex128, l.sensors)
	for s := range out {
		end := s % 2 // sensors 2 and 3 stand across 0 and 1: a quarter turn later, less stiff or more
		common := cmplx.Rect(100, 2*math.Pi*r.Float64())
		if s >= 2 {
			common = out[s-2][0] / complex(shape[end][0], 0) * cmplx.Rect(0.5+0.7*r.Float64(), -math.Pi/2+0.3*r.NormFloat64())
		}
		for p := range l.planes {
			spread := 0.25
			if l.overhung {
				spread = 0.08
			}
			out[s] = append(out[s], common*complex(shape[end][p], 0)*turn(spread))
		}
	}
	return out
}

// slippedJob is a job as it was recorded and the slip that was made in it.
type slippedJob struct {
	c    balance.Case
	slip detective.Slip
}

// simulate runs one whole job: as found, a trial in each plane, and the proof of
// the correction that the records, slip included, lead to. It returns false for a
// job that is not a bad run: the proof lands within miss of what was predicted.
func (l layout) simulate(r *rand.Rand, slip detective.Slip, miss float64) (slippedJob, bool) {
	f := &madeUpJob{l: l, r: r, slip: slip, a: l.influence(r)}
	f.c = balance.Case{Errors: balance.Errors{Mass: mishap, Angle: mishap, Repeat: repeat}}
	for p := range l.planes {
		f.c.Planes = append(f.c.Planes, rotor.Plane{Name: fmt.Sprintf("plane %d", p+1), Positions: rotor.EvenPositions(12, 0, rotor.WithRotation)})
	}
	for s := range l.sensors {
		f.c.Sensors = append(f.c.Sensors, balance.Sensor{Name: fmt.Sprint(s + 1)})
	}
	unbalance := make([]complex128, l.planes)
	for p := range unbalance {
		unbalance[p] = cmplx.Rect(0.04+0.06*r.Float64(), 2*math.Pi*r.Float64())
	}
	f.v0 = f.times(unbalance)
	scale := complex(8/worst(f.v0), 0)
	for s := range f.v0 {
		f.v0[s] *= scale
	}
	f.plan()
	f.run("as found", nil)
	for p := range l.planes {
		f.run(fmt.Sprintf("trial %d", p+1), []rotor.Weight{f.trial(p)})
	}
	ws, ok := f.correction()
	if !ok {
		return slippedJob{}, false
	}
	f.run("proof", ws)
	if slip != detective.NoSlip && f.miss() < miss {
		return slippedJob{}, false
	}
	return slippedJob{f.c, slip}, true
}

// madeUpJob holds the truth while a job is made.
type madeUpJob struct {
	l     layout
	r     *rand.Rand
	slip  detective.Slip
	a     [][]complex128
	v0    []complex128
	c     balance.Case
	where int // run in which the slip is made
	side  int // which of two ways, which sensor
	turn  float64
	left  []rotor.Weight // a trial that is still there although recorded as taken off
	until int
	alpha [][]complex128 // influence as recorded
}

// plan draws where the slip is made. A slip in the proof run that leaves the
// vectors near zero as they are (exchanged sensors, a moved phase) is harmless and
// is not drawn; a trial that was not fitted shows by itself.
func (f *madeUpJob) plan() {
	last := f.l.planes + 1
	f.side = f.r.IntN(2)
	f.where = 1 + f.r.IntN(last)
	switch f.slip {
	case detective.WeightMirrored, detective.NotFitted:
		f.where = last
	case detective.SensorsSwapped, detective.SensorTurned, detective.TrialLeftOn:
		f.where = 1 + f.r.IntN(last-1)
	case detective.PhaseMoved:
		f.where = f.r.IntN(last)
		f.turn = (0.3 + (math.Pi-0.3)*f.r.Float64()) * float64(1-2*f.side)
	}
	f.until = last
	if f.where+1 < last && f.r.IntN(2) == 0 {
		f.until = f.where + 1
	}
}

func (f *madeUpJob) times(w []complex128) []complex128 {
	out := make([]complex128, len(f.a))
	for s := range f.a {
		for p := range w {
			out[s] += f.a[s][p] * w[p]
		}
	}
	return out
}

func worst(v []complex128) (m float64) {
	for _, x := range v {
		m = math.Max(m, cmplx.Abs(x))
	}
	return m
}

// trial changes the worst sensor by 3 to 6 mm/s.
func (f *madeUpJob) trial(p int) rotor.Weight {
	col := make([]complex128, len(f.a))
	for s := range f.a {
		col[s] = f.a[s][p]
	}
	ps := f.c.Planes[p].Positions
	return rotor.Weight{Plane: f.c.Planes[p].Name, Mass: (3 + 3*f.r.Float64()) / worst(col), Angle: ps[f.r.IntN(len(ps))].Angle}
}

// run records a run: what is written down, and what the slipped rotor showed.
func (f *madeUpJob) run(name string, recorded []rotor.Weight) {
	at := len(f.c.Runs)
	real := slices.Clone(recorded)
	here := at == f.where
	pick := 0
	if len(real) > 0 {
		pick = f.r.IntN(len(real))
	}
	for i := range real {
		w := &real[i]
		switch f.slip {
		case detective.AnglesReversed:
			w.Angle = -w.Angle
		case detective.WeightMirrored:
			if here {
				w.Angle = -w.Angle
			}
		case detective.Opposite:
			if here {
				w.Angle += math.Pi
			}
		case detective.WrongPlane:
			if here {
				w.Plane = f.c.Planes[1-index(f.c, w.Plane)].Name
			}
		case detective.WrongHole:
			if here && i == pick {
				w.Angle += float64(1-2*f.side) * 2 * math.Pi / 12
			}
		case detective.NotFitted:
			if here && i == pick {
				w.Mass = 0
			}
		}
	}
	if f.slip == detective.TrialLeftOn {
		if at > f.where && at <= f.until {
			real = append(real, f.left...)
		}
		if here {
			f.left = slices.Clone(real)
		}
	}
	w := make([]complex128, f.l.planes)
	for _, x := range real {
		m := x.Mass * (1 + mishap*f.r.NormFloat64())
		w[index(f.c, x.Plane)] += cmplx.Rect(m, x.Angle+mishap*f.r.NormFloat64())
	}
	v := f.times(w)
	for s := range v {
		v[s] += f.v0[s]
		v[s] *= complex(1+repeat*f.r.NormFloat64(), repeat*f.r.NormFloat64())
	}
	if here {
		switch f.slip {
		case detective.SensorsSwapped:
			a := f.r.IntN(len(v))
			b := (a + 1 + f.r.IntN(len(v)-1)) % len(v)
			v[a], v[b] = v[b], v[a]
		case detective.SensorTurned:
			s := f.r.IntN(len(v))
			v[s] = -v[s]
		case detective.PhaseMoved:
			for s := range v {
				v[s] *= cmplx.Rect(1, f.turn)
			}
		}
	}
	run := balance.Run{Name: name, Weights: recorded}
	for s := range v {
		run.Vectors = append(run.Vectors, balance.Vector{V: v[s] + complex(sigma*f.r.NormFloat64(), sigma*f.r.NormFloat64()), Cov: rotor.Isotropic(sigma * sigma), Known: true})
	}
	f.c.Runs = append(f.c.Runs, run)
}

func index(c balance.Case, plane string) int {
	return slices.IndexFunc(c.Planes, func(p rotor.Plane) bool { return p.Name == plane })
}

// correction is what the person fits: least squares on the records, split onto
// the holes. A correction of more than ten trials would not be fitted at all.
func (f *madeUpJob) correction() ([]rotor.Weight, bool) {
	n := f.l.planes
	normal, right := make([][]complex128, n), make([]complex128, n)
	alpha := make([][]complex128, len(f.a))
	for s := range alpha {
		v0 := f.c.Runs[0].Vectors[s].V
		for p := range n {
			w := f.c.Runs[1+p].Weights[0]
			alpha[s] = append(alpha[s], (f.c.Runs[1+p].Vectors[s].V-v0)/w.Phasor(0))
		}
	}
	for p := range n {
		normal[p] = make([]complex128, n)
		for s := range alpha {
			right[p] -= cmplx.Conj(alpha[s][p]) * f.c.Runs[0].Vectors[s].V
			for q := range n {
				normal[p][q] += cmplx.Conj(alpha[s][p]) * alpha[s][q]
			}
		}
	}
	w := []complex128{right[0] / normal[0][0]}
	if n == 2 {
		det := normal[0][0]*normal[1][1] - normal[0][1]*normal[1][0]
		w = []complex128{(right[0]*normal[1][1] - right[1]*normal[0][1]) / det, (right[1]*normal[0][0] - right[0]*normal[1][0]) / det}
	}
	f.alpha = alpha
	var out []rotor.Weight
	for p := range n {
		if !(cmplx.Abs(w[p]) <= 10*f.c.Runs[1+p].Weights[0].Mass) {
			return nil, false
		}
		split, err := place.Split(f.c.Planes[p], w[p], place.Options{})
		if err != nil {
			return nil, false
		}
		for _, q := range split.Placed {
			out = append(out, rotor.Weight{Plane: f.c.Planes[p].Name, Mass: q.Mass, Angle: q.Angle})
		}
	}
	return out, true
}

// miss is how far the proof run lies from where the records predict it, mm/s.
func (f *madeUpJob) miss() (worst float64) {
	proof := f.c.Runs[len(f.c.Runs)-1]
	for s := range f.alpha {
		off := proof.Vectors[s].V - f.c.Runs[0].Vectors[s].V
		for _, w := range proof.Weights {
			off -= f.alpha[s][index(f.c, w.Plane)] * w.Phasor(0)
		}
		worst = math.Max(worst, cmplx.Abs(off))
	}
	return worst
}

// slips that a layout can hold.
func (l layout) slips() []detective.Slip {
	out := []detective.Slip{detective.NoSlip, detective.AnglesReversed, detective.WeightMirrored, detective.Opposite, detective.WrongHole,
		detective.TrialLeftOn, detective.NotFitted, detective.PhaseMoved, detective.SensorTurned}
	if l.planes == 2 {
		out = append(out, detective.WrongPlane)
	}
	if l.sensors > 1 {
		out = append(out, detective.SensorsSwapped)
	}
	return out
}

// naming of one slip of one layout.
type naming struct {
	named map[detective.Slip]int // what was named first; "" = no alarm
	left  int                    // jobs left out: harmless, or a correction nobody would fit
	alike int                    // right, or wrong but said not to be told apart from the right one
}

func (l layout) count(seed uint64, slip detective.Slip, jobs int, miss float64) naming {
	t := naming{named: map[detective.Slip]int{}}
	r := rand.New(rand.NewPCG(seed, uint64(len(slip))+uint64(slip[0])<<8))
	for n := 0; n < jobs; {
		job, ok := l.simulate(r, slip, miss)
		if !ok {
			t.left++
			continue
		}
		n++
		got := detective.Inspect(job.c)
		var named detective.Slip
		if got.Alarm && len(got.Findings) > 0 {
			named = got.Findings[0].Slip
			if slices.ContainsFunc(got.Findings[:got.Alike], func(f detective.Finding) bool { return f.Slip == slip || slices.Contains(f.Also, slip) }) {
				t.alike++
			}
			if slices.Contains(got.Findings[0].Also, slip) {
				named = slip // the same thing on the rotor under another name
			}
		}
		t.named[named]++
	}
	return t
}

// bad-run detective over many jobs of every kind, with a confusion table.
func detectiveCampaign(ctx context.Context, w io.Writer, args []string) error {
	fs := flag.NewFlagSet("detective", flag.ContinueOnError)
	jobs := fs.Int("jobs", 1000, "jobs of each slip and machine")
	seed := fs.Uint64("seed", 1, "seed")
	miss := fs.Float64("miss", 1, "mm/s; a proof run that lands nearer to its prediction is not a bad run, and its slip is not counted")
	if err := fs.Parse(args); err != nil {
		return err
	}
	fmt.Fprintf(w, "%d jobs each; noise %.2f mm/s, scatter %.0f %%, placing %.0f %%, as found 8 mm/s, 12 holes; bad runs miss their prediction by %.1f mm/s or more\n", *jobs, sigma, 100*repeat, 100*mishap, *miss)
	var failed []string
	for _, l := range layouts {
		slips := l.slips()
		fmt.Fprintf(w, "\n%s: made (rows), named (columns), %% of jobs\n%-22s", l.name, "")
		for _, s := range append([]detective.Slip{""}, slips[1:]...) {
			fmt.Fprintf(w, " %6.6s", short(s))
		}
		fmt.Fprintf(w, " | %6s %6s %6s\n", "right", "alike", "left out")
		sum := 0.0
		for _, made := range slips {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			t := l.count(*seed, made, *jobs, *miss)
			fmt.Fprintf(w, "%-22s", made)
			for _, s := range append([]detective.Slip{""}, slips[1:]...) {
				fmt.Fprintf(w, " %6.1f", 100*float64(t.named[s])/float64(*jobs))
			}
			right := float64(t.named[made]) / float64(*jobs)
			if made == detective.NoSlip {
				alarms := 1 - float64(t.named[""])/float64(*jobs)
				fmt.Fprintf(w, " | false alarms %.1f %%\n", 100*alarms)
				if alarms > 0.02 {
					failed = append(failed, fmt.Sprintf("%s: %.1f %% false alarms", l.name, 100*alarms))
				}
				continue
			}
			sum += right / float64(len(slips)-1)
			fmt.Fprintf(w, " | %6.1f %6.1f %6d\n", 100*right, 100*float64(t.alike)/float64(*jobs), t.left)
			if right < l.want {
				failed = append(failed, fmt.Sprintf("%s: %s named right in %.1f %%, wanted %.0f %%", l.name, made, 100*right, 100*l.want))
			}
		}
		fmt.Fprintf(w, "all slips: named right %.1f %%\n", 100*sum)
	}
	fmt.Fprintln(w)
	for _, f := range failed {
		fmt.Fprintln(w, "short of the mark:", f)
	}
	return nil
}

// short is a column head.
func short(s detective.Slip) string {
	return map[detective.Slip]string{"": "quiet", detective.AnglesReversed: "revers", detective.WeightMirrored: "mirror", detective.Opposite: "oppos",
		detective.WrongPlane: "plane", detective.WrongHole: "hole", detective.TrialLeftOn: "left", detective.NotFitted: "notfit",
		detective.SensorsSwapped: "swap", detective.SensorTurned: "turned", detective.PhaseMoved: "phase"}[s]
}
