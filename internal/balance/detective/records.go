package detective

import (
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

// fitted is one weight followed through the runs.
type fitted struct {
	weight rotor.Weight
	plane  int
	on     []bool // [run]
	first  int    // the run in which it was put on
}

// assumed is the error per axis that a reading without a stated one is taken to
// have, relative to the largest vector of its sensor. Common practice, no source:
// repeated runs of a healthy fan agree to a few percent.
const assumed = 0.02

// numbers turns a case into a job. Runs without usable readings and runs whose
// speed differs from the last run's by more than 2 % are left out; index says
// which runs are kept.
func numbers(c balance.Case) (j *job, index []int, guessed bool) {
	j = &job{slip: (c.Errors.Mass*c.Errors.Mass + c.Errors.Angle*c.Errors.Angle) / 2}
	var states []string
	last := c.Runs[len(c.Runs)-1].Speed
	largest := make([]float64, len(c.Sensors))
	for _, r := range c.Runs {
		for s, v := range r.Vectors {
			if !v.Missing {
				largest[s] = math.Max(largest[s], cmplx.Abs(v.V))
			}
		}
	}
	for i, r := range c.Runs {
		if last > 0 && r.Speed > 0 && math.Abs(r.Speed-last) > 0.02*last {
			continue
		}
		v, n := make([]complex128, len(c.Sensors)), make([]float64, len(c.Sensors))
		usable := false
		for s, x := range r.Vectors {
			if x.Missing || x.NoPhase {
				continue
			}
			usable = true
			v[s] = x.V
			rep := c.Errors.Repeat * cmplx.Abs(x.V)
			n[s] = rep * rep
			switch {
			case x.Known && x.DoF > 2: // the variance of a reading was itself estimated
				n[s] += x.Cov.PerAxis() * x.DoF / (x.DoF - 2)
			case x.Known:
				n[s] += x.Cov.PerAxis()
			}
			if floor := 1e-6 * largest[s]; n[s] < floor*floor {
				guessed = true
				n[s] = math.Pow(assumed*largest[s], 2)
			}
		}
		if !usable {
			continue
		}
		k := slices.Index(states, r.State)
		if k < 0 {
			k, states = len(states), append(states, r.State)
		}
		j.state, j.v, j.noise, index = append(j.state, k), append(j.v, v), append(j.noise, n), append(index, i)
	}
	return j, index, guessed
}

// follow lists every weight with the runs in which it was on the rotor.
func follow(c balance.Case, index []int) (out []fitted) {
	for r, i := range index {
		used := make([]bool, len(out))
		for _, w := range c.Runs[i].Weights {
			at := slices.IndexFunc(out, func(f fitted) bool { return f.weight == w })
			for at >= 0 && (at >= len(used) || used[at]) { // the same weight twice in one run
				next := slices.IndexFunc(out[at+1:], func(f fitted) bool { return f.weight == w })
				if next < 0 {
					at = -1
				} else {
					at += 1 + next
				}
			}
			if at < 0 {
				p := slices.IndexFunc(c.Planes, func(p rotor.Plane) bool { return p.Name == w.Plane })
				if p < 0 {
					continue
				}
				at = len(out)
				out = append(out, fitted{weight: w, plane: p, on: make([]bool, len(index)), first: r})
			}
			if at < len(used) {
				used[at] = true
			}
			out[at].on[r] = true
		}
	}
	return out
}

// weigh fills in what stood on the rotor.
func (j *job) weigh(c balance.Case, fs []fitted) {
	j.w = make([][]complex128, len(j.v))
	for r := range j.w {
		j.w[r] = make([]complex128, len(c.Planes))
		for _, f := range fs {
			if f.on[r] {
				j.w[r][f.plane] += f.weight.Phasor(c.Planes[f.plane].Radius)
			}
		}
	}
}
