package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"

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

// question is a split as an integer programme: every place takes one weight of
// the box or none.
type question struct {
	plane  rotor.Plane
	target complex128 // kg
	limit  float64    // kg; > 0: fewest weights whose residual measures no more; 0: least residual
	count  int        // with limit 0: exactly this many weights
}

// answer of the integer-programming solver.
type answer struct {
	optimal bool
	none    bool    // proven: no choice
	value   float64 // weights, or the measure in kg
	found   bool
}

// write puts the question into the CPLEX LP format that glpsol reads. Masses are
// in units of the target, so that the numbers are near one.
func (q question) write(path string) error {
	var b bytes.Buffer
	scale := 1 / math.Hypot(real(q.target), imag(q.target))
	name := func(i, k int) string { return fmt.Sprintf("x_%d_%d", i, k) }
	each := func(f func(i, k int, u complex128)) {
		for i, p := range q.plane.Positions {
			if p.Forbidden {
				continue
			}
			for k, m := range q.plane.Masses {
				f(i, k, rotor.Weight{Mass: m, Angle: p.Angle, Radius: p.Radius}.Phasor(q.plane.Radius))
			}
		}
	}
	fmt.Fprint(&b, "Minimize\n obj:")
	if q.limit > 0 {
		each(func(i, k int, _ complex128) { fmt.Fprintf(&b, " + %s\n", name(i, k)) })
	} else {
		fmt.Fprint(&b, " t\n")
	}
	fmt.Fprint(&b, "Subject To\n")
	for d := range facets {
		s, c := math.Sincos(2 * math.Pi * float64(d) / facets)
		fmt.Fprintf(&b, " f%d:", d)
		each(func(i, k int, u complex128) {
			fmt.Fprintf(&b, " %+.17g %s\n", scale*(c*real(u)+s*imag(u)), name(i, k))
		})
		right := scale * (c*real(q.target) + s*imag(q.target))
		if q.limit > 0 {
			fmt.Fprintf(&b, " <= %.17g\n", right+scale*q.limit)
		} else {
			fmt.Fprintf(&b, " - t <= %.17g\n", right)
		}
	}
	for i, p := range q.plane.Positions {
		if p.Forbidden {
			continue
		}
		fmt.Fprintf(&b, " place%d:", i)
		for k := range q.plane.Masses {
			fmt.Fprintf(&b, " + %s", name(i, k))
		}
		fmt.Fprint(&b, " <= 1\n")
	}
	if q.limit <= 0 {
		fmt.Fprint(&b, " count:")
		each(func(i, k int, _ complex128) { fmt.Fprintf(&b, " + %s\n", name(i, k)) })
		fmt.Fprintf(&b, " = %d\n", q.count)
	}
	fmt.Fprint(&b, "Binary\n")
	each(func(i, k int, _ complex128) { fmt.Fprintf(&b, " %s\n", name(i, k)) })
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
		if q.limit <= 0 {
			v *= math.Hypot(real(q.target), imag(q.target))
		}
		return answer{optimal: w[4] == "o", none: w[4] == "n", found: w[4] == "o" || w[4] == "f", value: v}, err
	}
	return answer{}, fmt.Errorf("glpsol wrote no solution line")
}
