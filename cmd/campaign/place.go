package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"time"

	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// fieldPlane is a plane of realistic size: n places of which about one in twelve
// takes no weight, m masses of 4 g and more as they lie in a box, one clip a
// place, and a target that two to four of them can make.
func fieldPlane(r *rand.Rand, n, m int) (rotor.Plane, complex128) {
	p := rotor.Plane{Name: "hub", Radius: 0.3, Positions: rotor.EvenPositions(n, 2*math.Pi*r.Float64(), rotor.WithRotation)}
	for i := range p.Positions {
		p.Positions[i].Forbidden = r.IntN(12) == 0
		if r.IntN(12) == 0 {
			p.Positions[i].Radius = 0.25
		}
	}
	for k := range m {
		p.Masses = append(p.Masses, 0.004+0.0027*(float64(k)+0.2*r.Float64()))
	}
	return p, cmplx.Rect(0.012+0.03*r.Float64(), 2*math.Pi*r.Float64())
}

// fewest is our answer to the polygonal question: the fewest weights whose
// residual measures no more than limit. The lists are long enough to be proof.
func fewest(p rotor.Plane, target complex128, limit float64, most int) (int, error) {
	if polygon(-target) <= limit {
		return 0, nil
	}
	for k := 1; k <= most; k++ {
		best, _, err := nearestByPolygon(p, target, k, limit)
		if err != nil {
			return 0, err
		}
		if best <= limit {
			return k, nil
		}
	}
	return 0, nil
}

// nearestByPolygon is the least measure of exactly k weights, provided it is not
// above limit; a larger one is a lower bound that is itself above limit.
func nearestByPolygon(p rotor.Plane, target complex128, k int, limit float64) (float64, place.Placement, error) {
	narrow := math.Cos(math.Pi / facets)
	for n := 64; ; n *= 4 {
		list, within, err := place.Nearest(p, target, k, n, place.Options{Stack: 1})
		if err != nil {
			return 0, place.Placement{}, err
		}
		best := math.Inf(1)
		var at place.Placement
		for _, c := range list {
			if m := polygon(c.Residual); m < best {
				best, at = m, c
			}
		}
		if edge := within * narrow; edge > math.Min(best, limit) {
			return best, at, nil
		}
		if n > 1<<20 {
			return 0, at, fmt.Errorf("%d weights: the list of nearest choices grew too long", k)
		}
	}
}

// sizes of the campaign: places, masses, most weights.
var sizes = []struct{ places, masses, weights int }{{12, 8, 4}, {24, 8, 4}, {24, 8, 5}, {36, 10, 4}, {36, 10, 5}}

// placing compares the exact search with a general integer-programming solver on
// planes of realistic size, in one run.
func placing(ctx context.Context, w io.Writer, args []string) error {
	fs := flag.NewFlagSet("place", flag.ContinueOnError)
	cases := fs.Int("cases", 20, "planes of each size")
	limit := fs.Int("seconds", 20, "time given to the integer-programming solver for one question")
	seed := fs.Uint64("seed", 1, "seed")
	if err := fs.Parse(args); err != nil {
		return err
	}
	if _, err := exec.LookPath("glpsol"); err != nil {
		return fmt.Errorf("glpsol is missing: install the Debian package glpk-utils")
	}
	dir, err := os.MkdirTemp("", "place")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	fmt.Fprintf(w, "processor time; fewest weights within 2 %% (one a place): ours, all numbers up to the most; glpsol, that number only, cut after %d s on the clock\n", *limit)
	fmt.Fprintf(w, "%-34s %10s %10s %10s %10s %9s %10s\n", "", "ours", "max", "glpsol", "max", "finished", "mismatches")
	for _, z := range sizes {
		r := rand.New(rand.NewPCG(*seed, uint64(z.places)))
		var t timings
		for range *cases {
			p, target := fieldPlane(r, z.places, z.masses)
			start := cpuTime()
			if _, err := place.Split(p, target, place.Options{MaxWeights: z.weights, Stack: 1}); err != nil {
				return err
			}
			t.ours = append(t.ours, cpuTime()-start)
			got, err := fewest(p, target, 0.02*cmplx.Abs(target), z.weights)
			if err != nil {
				return err
			}
			q := ask(p, target)
			q.limit = 0.02
			if err := t.other(ctx, q, dir, *limit, got, got, z.weights); err != nil {
				return err
			}
		}
		t.print(w, fmt.Sprintf("%d places x %d masses, up to %d", z.places, z.masses, z.weights))
	}
	return jointly(ctx, w, *cases, *limit, *seed, dir)
}

// jointly compares the joint choice for two planes. The disc lies between two
// polygons, so the fewest weights lie between two integer programmes.
func jointly(ctx context.Context, w io.Writer, cases, limit int, seed uint64, dir string) error {
	for _, z := range []struct{ places, masses, weights int }{{6, 4, 2}, {8, 4, 2}, {12, 8, 4}} {
		r := rand.New(rand.NewPCG(seed, 2))
		var t timings
		var together, apart float64
		proven := 0
		for range cases {
			var ps [2]rotor.Plane
			var targets [2]complex128
			turn := cmplx.Rect(100, 2*math.Pi*r.Float64())
			e := place.Effect{Influence: [][2]complex128{{turn, 1.15 * turn}, {-0.3 * turn, -0.5 * turn}, {0.6i * turn, 0.5i * turn}}}
			reach := 0.0
			for p := range ps {
				ps[p], targets[p] = fieldPlane(r, z.places, z.masses)
			}
			for _, a := range e.Influence {
				reach = math.Max(reach, cmplx.Abs(a[0]*targets[0]+a[1]*targets[1]))
			}
			e.Accept = 0.1 * reach
			start := cpuTime()
			o := place.Options{MaxWeights: z.weights, Stack: 1}
			got, err := place.SplitTwo(ps, targets, e, [2]place.Options{o, o})
			if err != nil {
				return err
			}
			t.ours = append(t.ours, cpuTime()-start)
			together, apart = together+got.Worst/reach, apart+got.Separate/reach
			if !got.Complete {
				continue
			}
			proven++
			k := 0
			if got.Reached {
				k = got.Planes[0].Weights + got.Planes[1].Weights
			}
			q := question{effect: make([][]complex128, len(e.Influence))}
			for _, a := range e.Influence {
				q.rest = append(q.rest, -(a[0]*targets[0]+a[1]*targets[1])/complex(reach, 0))
			}
			for p := range ps {
				all := q.add(ps[p], func(u complex128) (out []complex128) {
					for _, a := range e.Influence {
						out = append(out, a[p]*u/complex(reach, 0))
					}
					return out
				})
				q.groups = append(q.groups, group{all, z.weights})
			}
			// The polygon around the disc of 0.1 needs at most as many weights, the
			// one inside it at least as many.
			if q.limit = 0.1; k > 0 {
				if err := t.other(ctx, q, dir, limit, 0, k, 2*z.weights); err != nil {
					return err
				}
			} else {
				k = 2*z.weights + 1
			}
			q.limit = 0.1 * math.Cos(math.Pi/facets)
			if err := t.other(ctx, q, dir, limit, k, math.MaxInt, 2*z.weights); err != nil {
				return err
			}
		}
		t.print(w, fmt.Sprintf("two planes of %d x %d, up to %d each", z.places, z.masses, z.weights))
		fmt.Fprintf(w, "    worst sensor, part of as found: together %.4f, each plane for itself %.4f; %d of %d proven\n", together/float64(cases), apart/float64(cases), proven, cases)
	}
	return nil
}

// timings of one size.
type timings struct {
	ours, theirs         []time.Duration
	finished, mismatches int
}

// other asks the integer-programming solver. Our number of weights must lie
// between what it says (least to most allow for a polygon that is not the disc);
// most = 0 means that we say up to last weights do not reach it. A question that
// it does not finish in time is still a mismatch if it found fewer weights.
func (t *timings) other(ctx context.Context, q question, dir string, seconds, least, most, last int) error {
	a, err := q.solve(ctx, dir, seconds)
	if err != nil {
		return err
	}
	t.theirs = append(t.theirs, a.cpu)
	n := int(math.Round(a.value))
	if a.none || a.optimal && n > last {
		n = math.MaxInt // not reached
	}
	if most == 0 {
		least, most = max(least, last+1), math.MaxInt
	}
	switch {
	case a.optimal || a.none:
		t.finished++
		if n < least || n > most {
			t.mismatches++
		}
	case a.found && n < least:
		t.mismatches++
	}
	return nil
}

func (t *timings) print(w io.Writer, what string) {
	stat := func(d []time.Duration) (median, most time.Duration) {
		if len(d) == 0 {
			return 0, 0
		}
		slices.Sort(d)
		return d[len(d)/2].Round(10 * time.Microsecond), d[len(d)-1].Round(10 * time.Microsecond)
	}
	a, b := stat(t.ours)
	c, d := stat(t.theirs)
	fmt.Fprintf(w, "%-34s %10v %10v %10v %10v %5d/%-3d %10d\n", what, a, b, c, d, t.finished, len(t.theirs), t.mismatches)
}
