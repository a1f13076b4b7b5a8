package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"counterpoise/internal/balance"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
)

// rigRotor asks the closed form of a virtual fan for its vectors (mm/s rms) at any
// speed. The unbalance of a job is a hidden weight in each of two planes, a static
// and a couple part of random direction.
type rigRotor struct {
	r        *rig.Rig
	planes   []rotor.Plane
	channels []int
	names    []string
	hidden   []complex128 // kg
	cond     float64      // condition number of the last job
}

// rmsMM turns m/s peak into mm/s rms.
const rmsMM = 1e3 / math.Sqrt2

func newRigRotor(name string) (*rigRotor, error) {
	r, err := rig.New(name, 1)
	if err != nil {
		return nil, err
	}
	g := &rigRotor{r: r}
	ps := r.Planes()
	slices.SortFunc(ps, func(a, b rotor.Plane) int { return int(math.Copysign(1, a.Z-b.Z)) })
	g.planes = []rotor.Plane{ps[0], ps[len(ps)-1]} // as far apart as the rotor allows
	for i, n := range r.Describe().Channels {
		if n != "track" {
			g.channels, g.names = append(g.channels, i), append(g.names, n)
		}
	}
	return g, nil
}

// vectors are the true vectors with weights w (kg per plane) at a speed.
func (g *rigRotor) vectors(w []complex128, omega float64) ([]complex128, error) {
	var fit []rotor.Weight
	for p, plane := range g.planes {
		z := w[p] + g.hidden[p]
		fit = append(fit, rotor.Weight{Plane: plane.Name, Mass: cmplx.Abs(z), Angle: cmplx.Phase(z)})
	}
	if err := g.r.Fit(fit); err != nil {
		return nil, err
	}
	out := make([]complex128, len(g.channels))
	for i, c := range g.channels {
		out[i] = g.r.TrueVectorAt(c, omega) * rmsMM
	}
	return out, nil
}

// hide draws an unbalance that makes the worst sensor read v0. What the rig has of
// its own is taken off as far as two planes can; share weighs the planes.
func (g *rigRotor) hide(r *rand.Rand, v0 float64, share [2]float64) error {
	omega := g.r.Machine().Speed
	none := make([]complex128, 2)
	g.hidden = none
	own, err := g.vectors(none, omega)
	if err != nil {
		return err
	}
	a := make([][]complex128, len(own))
	for p := range 2 {
		w := make([]complex128, 2)
		w[p] = 1e-3
		v, err := g.vectors(w, omega)
		if err != nil {
			return err
		}
		for s := range v {
			a[s] = append(a[s], (v[s]-own[s])/1e-3)
		}
	}
	clean := (&balance.Answer{Influence: a}).Nulling(own)
	u := []complex128{randomPhasor(r, 0.3, 1) * complex(share[0], 0), randomPhasor(r, 0.3, 1) * complex(share[1], 0)}
	worst := 0.0
	for s := range own {
		worst = math.Max(worst, cmplx.Abs(a[s][0]*u[0]+a[s][1]*u[1]))
	}
	g.hidden = []complex128{clean[0] + u[0]*complex(v0/worst, 0), clean[1] + u[1]*complex(v0/worst, 0)}
	return nil
}

// best is what the two planes ask for, exactly.
func (g *rigRotor) best() ([]complex128, error) {
	omega := g.r.Machine().Speed
	v, err := g.vectors(make([]complex128, 2), omega)
	if err != nil {
		return nil, err
	}
	a := make([][]complex128, len(v))
	for p := range 2 {
		w := make([]complex128, 2)
		w[p] = 1e-3
		x, err := g.vectors(w, omega)
		if err != nil {
			return nil, err
		}
		for s := range v {
			a[s] = append(a[s], (x[s]-v[s])/1e-3)
		}
	}
	return (&balance.Answer{Influence: a}).Nulling(v), nil
}

// slopes measures d ln V/d ln speed as a coast-down would, from two speeds.
func (g *rigRotor) slopes(w []complex128) ([]complex128, error) {
	omega := g.r.Machine().Speed
	lo, err := g.vectors(w, omega*0.99)
	if err != nil {
		return nil, err
	}
	hi, err := g.vectors(w, omega*1.01)
	if err != nil {
		return nil, err
	}
	out := make([]complex128, len(lo))
	for i := range lo {
		out[i] = cmplx.Log(hi[i]/lo[i]) / complex(math.Log(1.01/0.99), 0)
	}
	return out, nil
}

// conditions of a rig job.
type rigConditions struct {
	sigma     float64 // mm/s rms, per axis
	speed     float64 // relative change of speed from run to run
	normalise bool
	errs      balance.Errors
}

// run measures the rotor as it stands and appends a run to the case.
func (g *rigRotor) run(r *rand.Rand, c *balance.Case, k rigConditions, weights []rotor.Weight, real []complex128) error {
	omega := g.r.Machine().Speed * (1 + k.speed*r.NormFloat64())
	v, err := g.vectors(real, omega)
	if err != nil {
		return err
	}
	run := balance.Run{Name: fmt.Sprint("run ", len(c.Runs)+1), Weights: weights, Speed: omega}
	for _, x := range v {
		x += normal(r, math.Hypot(k.sigma, k.errs.Repeat*cmplx.Abs(x)))
		run.Vectors = append(run.Vectors, balance.Vector{V: x, Cov: rotor.Isotropic(k.sigma * k.sigma), Known: true})
	}
	c.Runs = append(c.Runs, run)
	return nil
}

func weightsOf(planes []rotor.Plane, z []complex128) (out []rotor.Weight) {
	for p, m := range z {
		if m != 0 {
			out = append(out, rotor.Weight{Plane: planes[p].Name, Mass: cmplx.Abs(m), Angle: cmplx.Phase(m)})
		}
	}
	return out
}

// job balances once and trims once; it returns the worst true vector after each
// and whether the stated radius held at every sensor.
func (g *rigRotor) job(r *rand.Rand, v0 float64, k rigConditions) (left [2]float64, held [2]int, err error) {
	if err = g.hide(r, v0, [2]float64{1, 1}); err != nil {
		return
	}
	omega := g.r.Machine().Speed
	none := make([]complex128, 2)
	c := balance.Case{Errors: k.errs}
	for _, p := range g.planes {
		c.Planes = append(c.Planes, rotor.Plane{Name: p.Name, Radius: p.Radius})
	}
	var slope []complex128
	if slope, err = g.slopes(none); err != nil {
		return
	}
	for s, n := range g.names {
		sn := balance.Sensor{Name: n}
		if k.normalise {
			sn.Slope = slope[s]
		}
		c.Sensors = append(c.Sensors, sn)
	}
	if err = g.run(r, &c, k, nil, none); err != nil {
		return
	}
	want, err := g.best()
	if err != nil {
		return
	}
	for p := range 2 { // a trial that already helps: two thirds of the need, up to 40 degrees off
		w := make([]complex128, 2)
		w[p] = want[p] / 1.5 * cmplx.Rect(math.Exp(0.15*r.NormFloat64()), (2*r.Float64()-1)*40*math.Pi/180)
		real := []complex128{placed(r, w[0], k.errs), placed(r, w[1], k.errs)}
		if err = g.run(r, &c, k, weightsOf(c.Planes, w), real); err != nil {
			return
		}
	}
	onRotor := make([]complex128, 2)
	var on []rotor.Weight
	for stage := range 2 {
		var a balance.Answer
		if a, err = balance.Solve(c, balance.Options{Seed: r.Uint64()}); err != nil {
			return
		}
		g.cond = a.Condition
		for p := range 2 {
			w := a.Corrections[p].Total
			if stage == 1 {
				w = a.Corrections[p].Further
			}
			onRotor[p] += placed(r, w, k.errs)
			on = append(on, weightsOf(c.Planes[p:p+1], []complex128{w})...)
		}
		var v []complex128
		if v, err = g.vectors(onRotor, omega); err != nil {
			return
		}
		for s, x := range v {
			left[stage] = math.Max(left[stage], cmplx.Abs(x))
			pr := a.Predicted[s]
			res, rad := pr.Residual, pr.Radius95
			if stage == 1 {
				res, rad = pr.FurtherResidual, pr.FurtherRadius95
			}
			if cmplx.Abs(x-res) <= *rad {
				held[stage]++
			}
		}
		if err = g.run(r, &c, k, slices.Clone(on), onRotor); err != nil {
			return
		}
	}
	return
}

// oneCorrection prints what one correction and one trim leave on the three rigs.
func oneCorrection(ctx context.Context, w io.Writer, _ []string) error {
	errs := balance.Errors{Mass: 0.01, Angle: math.Pi / 180, Repeat: 0.001}
	fmt.Fprintln(w, "two planes as far apart as the rotor allows; placing 1 % and 1 degree; speed changes 0.3 % from run to run;\nreading error 0.01 mm/s rms and 0.1 %; trial two thirds of the need within 40 degrees; worst sensor, mm/s rms")
	fmt.Fprintf(w, "\n%-11s %5s %5s %-11s %15s %15s %12s\n", "rig", "cond", "from", "speed", "corrected 50/95", "trimmed 50/95", "95 % held")
	for _, name := range rig.Names() {
		g, err := newRigRotor(name)
		if err != nil {
			return err
		}
		for _, v0 := range []float64{30, 10, 3} {
			for _, norm := range []bool{true, false} {
				r := rand.New(rand.NewPCG(30, uint64(v0)))
				var left [2][]float64
				var held [2]int
				const jobs = 300
				for range jobs {
					if err := ctx.Err(); err != nil {
						return err
					}
					l, h, err := g.job(r, v0, rigConditions{sigma: 0.01, speed: 0.003, normalise: norm, errs: errs})
					if err != nil {
						return err
					}
					for i := range l {
						left[i] = append(left[i], l[i])
						held[i] += h[i]
					}
				}
				for i := range left {
					slices.Sort(left[i])
				}
				word := "normalised"
				if !norm {
					word = "as it is"
				}
				n := float64(jobs * len(g.channels))
				fmt.Fprintf(w, "%-11s %5.1f %5g %-11s %7.2f %7.2f %7.3f %7.3f %6.1f %5.1f\n", name, g.cond, v0, word,
					left[0][jobs/2], left[0][jobs*95/100], left[1][jobs/2], left[1][jobs*95/100], 100*float64(held[0])/n, 100*float64(held[1])/n)
			}
		}
	}
	return nil
}

// onePlane prints how often the one-plane verdict is wrong and how often open.
func onePlane(ctx context.Context, w io.Writer, _ []string) error {
	fmt.Fprintf(w, "as found 6 mm/s rms, tolerance 1, reading error 0.08, one trial run in the plane nearest the wheel,\nchanging a sensor by half at a random angle\n\n%-11s %6s %8s %8s %10s %14s\n", "rig", "jobs", "wrong", "open", "is enough", "said enough")
	for _, name := range rig.Names() {
		g, err := newRigRotor(name)
		if err != nil {
			return err
		}
		z := g.r.Describe().WheelZ
		plane := 0
		if math.Abs(g.planes[1].Z-z) < math.Abs(g.planes[0].Z-z) {
			plane = 1
		}
		r := rand.New(rand.NewPCG(6, 6))
		wrong, open, truly, said := 0, 0, 0, 0
		const jobs = 1000
		for range jobs {
			if err := ctx.Err(); err != nil {
				return err
			}
			enough, call, err := g.onePlaneJob(r, plane)
			if err != nil {
				return err
			}
			if enough {
				truly++
			}
			switch call.Code {
			case "one-plane-enough":
				said++
				if !enough {
					wrong++
				}
			case "one-plane-not-enough":
				if enough {
					wrong++
				}
			default:
				open++
			}
		}
		fmt.Fprintf(w, "%-11s %6d %7.1f%% %7.1f%% %9.1f%% %13.1f%%\n", name, jobs, pct(wrong, jobs), pct(open, jobs), pct(truly, jobs), pct(said, jobs))
	}
	return nil
}

func pct(n, of int) float64 { return 100 * float64(n) / float64(of) }

func (g *rigRotor) onePlaneJob(r *rand.Rand, plane int) (enough bool, call balance.OnePlaneCall, err error) {
	// Mostly static and mostly couple rotors and all between.
	share := [2]float64{1, 1}
	share[1-plane] = math.Exp(math.Log(0.02) * r.Float64())
	if err = g.hide(r, 6, share); err != nil {
		return
	}
	c := balance.Case{Planes: []rotor.Plane{{Name: g.planes[plane].Name}}}
	for _, n := range g.names {
		c.Sensors = append(c.Sensors, balance.Sensor{Name: n, Tolerance: 1})
	}
	exact := c
	// The trial is the advised one where only the size of the effect is known: it
	// changes a sensor by half its reading, at a random angle.
	w := make([]complex128, 2)
	w[plane] = 1e-3
	after, err := g.vectors(w, g.r.Machine().Speed)
	if err != nil {
		return
	}
	before, err := g.vectors(make([]complex128, 2), g.r.Machine().Speed)
	if err != nil {
		return
	}
	size := math.Inf(1)
	for s := range after {
		size = math.Min(size, 1e-3*math.Max(0.5*cmplx.Abs(before[s]), 20*0.08)/cmplx.Abs(after[s]-before[s]))
	}
	w[plane] = cmplx.Rect(size, 2*math.Pi*r.Float64())
	for _, z := range [][]complex128{make([]complex128, 2), w} {
		k := rigConditions{sigma: 0.08}
		if err = g.run(r, &c, k, weightsOf(g.planes, z), z); err != nil {
			return
		}
		k.sigma = 1e-6
		if err = g.run(r, &exact, k, weightsOf(g.planes, z), z); err != nil {
			return
		}
	}
	truth, err := balance.OnePlane(exact, g.planes[plane].Name, balance.Options{})
	if err != nil {
		return
	}
	call, err = balance.OnePlane(c, g.planes[plane].Name, balance.Options{Seed: r.Uint64()})
	return truth.Best <= 1, call, err
}
