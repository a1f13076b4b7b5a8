package balance

import (
	"fmt"
	"math"
	"strings"
)

// FingerPrint is all that must be the same before an old coefficient may be
// trusted: move a sensor, the mark or the radius and the number means nothing.
type FingerPrint struct {
	Machine string
	Sensors []string  // names and places, in order
	Speed   float64   // rad/s
	Radii   []float64 // m, per plane
	Tach    string    // mark, edge and its place
	Board   string    // board, channel delays and conversion
}

// Differences lists in plain words what does not agree; empty means that the
// print fits. Speeds may differ by 2 %, common practice, no source.
func (f FingerPrint) Differences(g FingerPrint) []string {
	var out []string
	text := func(what, a, b string) {
		if a != b {
			out = append(out, fmt.Sprintf("%s was %q and is %q", what, a, b))
		}
	}
	text("the machine", f.Machine, g.Machine)
	text("the set of sensors", strings.Join(f.Sensors, ", "), strings.Join(g.Sensors, ", "))
	text("the tach", f.Tach, g.Tach)
	text("the board set-up", f.Board, g.Board)
	if !(math.Abs(f.Speed-g.Speed) <= 0.02*math.Abs(g.Speed)) {
		out = append(out, fmt.Sprintf("the speed was %.4g rpm and is %.4g rpm", rpm(f.Speed), rpm(g.Speed)))
	}
	if len(f.Radii) != len(g.Radii) {
		return append(out, fmt.Sprintf("there were %d planes and are %d", len(f.Radii), len(g.Radii)))
	}
	for i, r := range f.Radii {
		if !(math.Abs(r-g.Radii[i]) <= 0.005*math.Abs(g.Radii[i])) {
			out = append(out, fmt.Sprintf("the radius in plane %d was %.4g mm and is %.4g mm", i+1, r*1e3, g.Radii[i]*1e3))
		}
	}
	return out
}

// Prior is what earlier jobs know of the coefficients of this one.
type Prior struct {
	Mean  [][]complex128 // [sensor][plane], peak phasor per kg
	SD    [][]float64    // [sensor][plane], complex standard deviation: sqrt E|a - mean|^2
	Print FingerPrint    // of the jobs it came from
	Jobs  int            // how many jobs it was learnt from; for people
}

// usable checks shape and fingerprint; the reason is a sentence for a verdict.
func (p *Prior) usable(c *Case, print FingerPrint) (reason string) {
	if len(p.Mean) != len(c.Sensors) || len(p.SD) != len(c.Sensors) {
		return fmt.Sprintf("the stored coefficients are for %d sensors and this case has %d", len(p.Mean), len(c.Sensors))
	}
	for s := range p.Mean {
		if len(p.Mean[s]) != len(c.Planes) || len(p.SD[s]) != len(c.Planes) {
			return fmt.Sprintf("the stored coefficients are for %d planes and this case has %d", len(p.Mean[s]), len(c.Planes))
		}
		for q, sd := range p.SD[s] {
			if !finite(p.Mean[s][q]) || !(sd > 0) || math.IsInf(sd, 0) {
				return "the stored coefficients have no usable scatter: each needs a standard deviation above zero"
			}
		}
	}
	if d := p.Print.Differences(print); len(d) > 0 {
		return strings.Join(d, "; ")
	}
	return ""
}
