package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

// fakeRotor is a linear rotor of known truth. It shares no code with the solver:
// what it proves is the solver's statistics, not any physics.
type fakeRotor struct {
	v0 []complex128
	a  [][]complex128 // [sensor][plane] per kg
}

func randomPhasor(r *rand.Rand, lo, hi float64) complex128 {
	return cmplx.Rect(lo+(hi-lo)*r.Float64(), 2*math.Pi*r.Float64())
}

func newFakeRotor(r *rand.Rand, sensors, planes int, v0 float64) fakeRotor {
	f := fakeRotor{}
	for range sensors {
		f.v0 = append(f.v0, randomPhasor(r, 0.4*v0, v0))
		row := make([]complex128, planes)
		for p := range row {
			row[p] = randomPhasor(r, 20, 100)
		}
		f.a = append(f.a, row)
	}
	return f
}

func (f fakeRotor) vector(s int, w []complex128) complex128 {
	v := f.v0[s]
	for p, x := range w {
		v += f.a[s][p] * x
	}
	return v
}

// noiseKind makes readings with errors and says what error would be stated.
type noiseKind struct {
	name string
	// read returns the errors of all sensors in one run and the stated covariance.
	read func(r *rand.Rand, sensors int, sigma float64) ([]complex128, []rotor.Cov, float64)
}

func normal(r *rand.Rand, sd float64) complex128 {
	return complex(sd*r.NormFloat64(), sd*r.NormFloat64())
}

var noiseKinds = []noiseKind{
	{"white", func(r *rand.Rand, n int, sigma float64) ([]complex128, []rotor.Cov, float64) {
		e, c := make([]complex128, n), make([]rotor.Cov, n)
		for i := range e {
			e[i], c[i] = normal(r, sigma), rotor.Isotropic(sigma*sigma)
		}
		return e, c, 0
	}},
	// Every turn's error resembles the last one's (AR(1), 0.5), is 2.6 times as
	// large along one direction as across it, and shares 60 % of its power among
	// the sensors. The covariance is not known but estimated, as phase does it,
	// from the scatter of 16 stretches of 16 turns.
	{"correlated", func(r *rand.Rand, n int, sigma float64) ([]complex128, []rotor.Cov, float64) {
		const stretches, turns, rho = 16, 16, 0.5
		axis := cmplx.Rect(1, 2*math.Pi*r.Float64()) * complex(sigma*math.Sqrt(stretches*turns*(1-rho)/(1+rho)), 0)
		e, c, was := make([]complex128, n), make([]rotor.Cov, n), make([]complex128, n)
		means := make([][stretches]complex128, n)
		for b := range stretches * turns {
			common := normal(r, 1)
			for i := range e {
				z := complex(math.Sqrt(0.6), 0)*common + complex(math.Sqrt(0.4), 0)*normal(r, 1)
				if b > 0 {
					z = rho*was[i] + complex(math.Sqrt(1-rho*rho), 0)*z
				}
				was[i] = z
				x := complex(1.3*real(z), 0.5*imag(z)) * axis
				means[i][b/turns] += x / turns
				e[i] += x / (stretches * turns)
			}
		}
		for i := range e {
			for _, x := range means[i] {
				d := x - e[i]
				c[i] = c[i].Add(rotor.Cov{RR: real(d) * real(d), RI: real(d) * imag(d), II: imag(d) * imag(d)})
			}
			c[i] = c[i].Scale(1.0 / (stretches * (stretches - 1)))
		}
		return e, c, stretches - 1
	}},
}

// simulated is one job: as found and one trial per plane, each taken off again.
// last is what really sits on the rotor in the end.
func simulated(r *rand.Rand, f fakeRotor, noise noiseKind, sigma float64, errs balance.Errors, trials []complex128) (c balance.Case, last []complex128) {
	planes := len(f.a[0])
	c = balance.Case{Errors: errs}
	for p := range planes {
		c.Planes = append(c.Planes, rotor.Plane{Name: fmt.Sprint(p + 1)})
	}
	for s := range f.v0 {
		c.Sensors = append(c.Sensors, balance.Sensor{Name: fmt.Sprint(s + 1)})
	}
	for k := range planes + 1 {
		w := make([]complex128, planes)
		run := balance.Run{Name: fmt.Sprint(k)}
		if k > 0 {
			m := trials[k-1]
			run.Weights = []rotor.Weight{{Plane: c.Planes[k-1].Name, Mass: cmplx.Abs(m), Angle: cmplx.Phase(m)}}
			w[k-1] = placed(r, m, errs)
		}
		last = w
		e, cov, dof := noise.read(r, len(f.v0), sigma)
		for s := range f.v0 {
			v := f.vector(s, w)
			v += e[s] + normal(r, errs.Repeat*cmplx.Abs(v))
			run.Vectors = append(run.Vectors, balance.Vector{V: v, Cov: cov[s], DoF: dof, Known: true})
		}
		c.Runs = append(c.Runs, run)
	}
	return c, last
}

// placed is a weight as it really sits.
func placed(r *rand.Rand, m complex128, e balance.Errors) complex128 {
	return m * complex(1+e.Mass*r.NormFloat64(), e.Angle*r.NormFloat64())
}

// bestWeights is the least squares answer for the true rotor.
func bestWeights(f fakeRotor) []complex128 {
	c := balance.Case{}
	n := len(f.a[0])
	unit := make([]complex128, n)
	for p := range n {
		c.Planes = append(c.Planes, rotor.Plane{Name: fmt.Sprint(p + 1)})
	}
	for k := range n + 1 {
		run := balance.Run{}
		w := append([]complex128(nil), unit...)
		if k > 0 {
			w[k-1] = 0.1
			run.Weights = []rotor.Weight{{Plane: c.Planes[k-1].Name, Mass: 0.1}}
		}
		for s := range f.v0 {
			run.Vectors = append(run.Vectors, balance.Vector{V: f.vector(s, w)})
		}
		c.Runs = append(c.Runs, run)
	}
	for range f.v0 {
		c.Sensors = append(c.Sensors, balance.Sensor{})
	}
	a, err := balance.Solve(c, balance.Options{})
	if err != nil {
		return unit
	}
	w := make([]complex128, n)
	for p := range w {
		w[p] = a.Corrections[p].Total
	}
	return w
}

// coverage asks how often the stated 95 % holds the truth.
func coverage(ctx context.Context, w io.Writer, _ []string) error {
	fmt.Fprintf(w, "%-11s %-7s %-7s %-9s %6s %9s %9s %9s %9s %6s\n", "noise", "planes", "sensors", "dV/sigma", "jobs", "residual", "further", "mass", "angle", "MC")
	var all [4][2]int
	for ni, noise := range noiseKinds {
		for _, shape := range [][2]int{{1, 1}, {1, 2}, {1, 4}, {2, 2}, {2, 4}, {2, 8}} {
			for bi, band := range [][2]float64{{8, 20}, {20, 200}} {
				r := rand.New(rand.NewPCG(uint64(100*ni+bi), uint64(10*shape[0]+shape[1])))
				var hit [4][2]int
				mc := 0
				const jobs = 209 // 24 kinds of job: 5,016
				done := 0
				for done < jobs {
					if err := ctx.Err(); err != nil {
						return err
					}
					if ok, monte := coverageJob(r, noise, shape, band, &hit); ok {
						done++
						if monte {
							mc++
						}
					}
				}
				fmt.Fprintf(w, "%-11s %-7d %-7d %-9s %6d", noise.name, shape[0], shape[1], fmt.Sprintf("%g-%g", band[0], band[1]), done)
				for i, h := range hit {
					fmt.Fprintf(w, " %8.1f%%", 100*float64(h[0])/float64(h[1]))
					all[i][0], all[i][1] = all[i][0]+h[0], all[i][1]+h[1]
				}
				fmt.Fprintf(w, " %6d\n", mc)
			}
		}
	}
	fmt.Fprintf(w, "%-44s", "all")
	for _, h := range all {
		fmt.Fprintf(w, " %8.1f%%", 100*float64(h[0])/float64(h[1]))
	}
	fmt.Fprintln(w)
	return nil
}

// coverageJob simulates one job and counts which statements held; jobs outside
// the band of effect over error are not counted.
func coverageJob(r *rand.Rand, noise noiseKind, shape [2]int, band [2]float64, hit *[4][2]int) (ok, monte bool) {
	planes, sensors := shape[0], shape[1]
	f := newFakeRotor(r, sensors, planes, 10)
	errs := balance.Errors{Mass: 0.01, Angle: math.Pi / 180, Repeat: 0.003}
	target := math.Exp(math.Log(band[0]) + (math.Log(band[1])-math.Log(band[0]))*r.Float64())
	trials := make([]complex128, planes)
	weakest := math.Inf(1)
	for p := range trials {
		trials[p] = randomPhasor(r, 0.02, 0.08)
		best := 0.0
		for s := range sensors {
			best = math.Max(best, cmplx.Abs(f.a[s][p]*trials[p]))
		}
		weakest = math.Min(weakest, best)
	}
	sigma := weakest / target
	c, last := simulated(r, f, noise, sigma, errs, trials)
	a, err := balance.Solve(c, balance.Options{Seed: r.Uint64()})
	if err != nil || a.Condition > 30 {
		return false, false
	}
	count := func(i int, in bool) {
		hit[i][1]++
		if in {
			hit[i][0]++
		}
	}
	total, after := make([]complex128, planes), make([]complex128, planes)
	truth := bestWeights(f)
	for p, k := range a.Corrections {
		total[p] = placed(r, k.Total, errs)
		after[p] = last[p] + placed(r, k.Further, errs)
		m, ang := cmplx.Abs(truth[p]), cmplx.Phase(truth[p])
		count(2, m >= k.Mass.Lo && m <= k.Mass.Hi)
		mid, half := (k.Angle.Lo+k.Angle.Hi)/2, (k.Angle.Hi-k.Angle.Lo)/2
		count(3, math.Abs(rotor.WrapRadians(ang-mid)) <= half)
	}
	for s := range f.v0 {
		count(0, cmplx.Abs(f.vector(s, total)-a.Predicted[s].Residual) <= *a.Predicted[s].Radius95)
		count(1, cmplx.Abs(f.vector(s, after)-a.Predicted[s].FurtherResidual) <= *a.Predicted[s].FurtherRadius95)
	}
	return true, a.MonteCarlo
}
