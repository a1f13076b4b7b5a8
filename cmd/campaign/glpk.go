package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"counterpoise/internal/rotor"
)

// facets of the polygon that stands for the disc in a linear model: a residual z
// is measured by the largest of its components along this many directions, which
// lies between cos(pi/facets) |z| and |z|.
const facets = 16

// polygon is that measure of a residual.
func polygon(z complex128) (worst float64) {
	for d := range facets {
		s, c := math.Sincos(2 * math.Pi * float64(d) / facets)
		worst = math.Max(worst, c*real(z)+s*imag(z))
	}
	return worst
}

// question is a split as an integer programme over variables that are a weight
// on a place, or none.
type question struct {
	effect [][]complex128 // [sensor][variable]
	rest   []complex128   // [sensor], what stays without any weight
	groups []group        // variables of which only some may be chosen
	limit  float64        // > 0: fewest weights so that no residual measures more; 0: least worst residual
	count  int            // with limit 0: exactly this many weights
}

// group is a place that takes one weight, or a plane that takes a few.
type group struct {
	variables []int
	most      int
}

// ask writes a split of one plane, one weight a place, in parts of the target.
// Its only sensor is the residual itself.
func ask(p rotor.Plane, target complex128) question {
	scale := complex(1/cmplx.Abs(target), 0)
	q := question{effect: make([][]complex128, 1), rest: []complex128{-target * scale}}
	q.add(p, func(u complex128) []complex128 { return []complex128{u * scale} })
	return q
}

// add adds the variables of a plane; effect is what a weight does to the sensors.
func (q *question) add(p rotor.Plane, effect func(u complex128) []complex128) (all []int) {
	for _, at := range p.Positions {
		if at.Forbidden {
			continue
		}
		var place []int
		for _, m := range p.Masses {
			place = append(place, len(q.effect[0]))
			for s, e := range effect(rotor.Weight{Mass: m, Angle: at.Angle, Radius: at.Radius}.Phasor(p.Radius)) {
				q.effect[s] = append(q.effect[s], e)
			}
		}
		q.groups = append(q.groups, group{place, 1})
		all = append(all, place...)
	}
	return all
}

// answer of the integer-programming solver.
type answer struct {
	optimal bool
	none    bool    // proven: no choice
	value   float64 // weights, or the measure
	found   bool
	cpu     time.Duration // processor time it took
}

// write puts the question into the CPLEX LP format that glpsol reads.
func (q question) write(path string) error {
	var b bytes.Buffer
	sum := func() {
		for i := range q.effect[0] {
			fmt.Fprintf(&b, " + x%d\n", i)
		}
	}
	fmt.Fprint(&b, "Minimize\n obj:")
	if q.limit > 0 {
		sum()
	} else {
		fmt.Fprint(&b, " t\n")
	}
	fmt.Fprint(&b, "Subject To\n")
	for s := range q.effect {
		for d := range facets {
			sin, cos := math.Sincos(2 * math.Pi * float64(d) / facets)
			fmt.Fprintf(&b, " f%d_%d:", s, d)
			for i, u := range q.effect[s] {
				fmt.Fprintf(&b, " %+.17g x%d\n", cos*real(u)+sin*imag(u), i)
			}
			right := -(cos*real(q.rest[s]) + sin*imag(q.rest[s]))
			if q.limit > 0 {
				fmt.Fprintf(&b, " <= %.17g\n", right+q.limit)
			} else {
				fmt.Fprintf(&b, " - t <= %.17g\n", right)
			}
		}
	}
	for k, g := range q.groups {
		fmt.Fprintf(&b, " group%d:", k)
		for _, i := range g.variables {
			fmt.Fprintf(&b, " + x%d\n", i)
		}
		fmt.Fprintf(&b, " <= %d\n", g.most)
	}
	if q.limit <= 0 {
		fmt.Fprint(&b, " count:")
		sum()
		fmt.Fprintf(&b, " = %d\n", q.count)
	}
	fmt.Fprint(&b, "Binary\n")
	for i := range q.effect[0] {
		fmt.Fprintf(&b, " x%d\n", i)
	}
	fmt.Fprint(&b, "End\n")
	return os.WriteFile(path, b.Bytes(), 0o600)
}

// solve asks glpsol (GLPK, a general integer-programming solver; Debian package
// glpk-utils), for at most seconds.
func (q question) solve(ctx context.Context, dir string, seconds int) (answer, error) {
	lp, sol := filepath.Join(dir, "split.lp"), filepath.Join(dir, "split.sol")
	if err := q.write(lp); err != nil {
		return answer{}, err
	}
	cmd := exec.CommandContext(ctx, "glpsol", "--lp", lp, "--write", sol, "--cuts", "--tmlim", strconv.Itoa(seconds))
	if out, err := cmd.CombinedOutput(); err != nil {
		return answer{}, fmt.Errorf("glpsol: %v: %s", err, out)
	}
	f, err := os.Open(sol)
	if err != nil {
		return answer{}, err
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		w := strings.Fields(lines.Text()) // s mip ROWS COLUMNS STATUS VALUE
		if len(w) < 6 || w[0] != "s" || w[1] != "mip" {
			continue
		}
		v, err := strconv.ParseFloat(w[5], 64)
		return answer{cpu: cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime(), optimal: w[4] == "o", none: w[4] == "n", found: w[4] == "o" || w[4] == "f", value: v}, err
	}
	return answer{}, fmt.Errorf("glpsol wrote no solution line")
}
