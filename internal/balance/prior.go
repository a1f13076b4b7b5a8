package balance

import (
	"fmt"
	"math"
	"math/cmplx"
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

// SameSpeed tells whether coefficients of one speed (rad/s) hold at the other:
// within 2 %, common practice, no source.
func SameSpeed(a, b float64) bool { return math.Abs(a-b) <= 0.02*math.Abs(b) }

// Differences lists in plain words what does not agree; empty means that the
// print fits.
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
	if !SameSpeed(f.Speed, g.Speed) {
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

// Usable checks shape and fingerprint of a prior for a case; the reason says in words
// what does not fit, and is empty where all does.
func (p *Prior) Usable(c *Case, print FingerPrint) (reason string) {
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

// Sure tells whether a coefficient is known so well that a trial weight may be
// sized by it, and placed to some 30 degrees: by more than twice its scatter.
func (p *Prior) Sure(sensor, plane int) bool {
	return p.SD[sensor][plane] < 0.5*cmplx.Abs(p.Mean[sensor][plane])
}

// Learn makes a prior from finished jobs of one machine, or of machines of one
// type: per coefficient the mean, and the scatter from job to job (never taken as
// smaller than the jobs' own errors). One job says nothing about scatter; then it
// is taken as guess, a relative standard deviation such as 0.3. A job whose
// coefficient is so far from the others that chance would bring it there once in a
// thousand times should be looked at, not learnt; that gate is Solve's.
func Learn(jobs []Answer, print FingerPrint, guess float64) (Prior, error) {
	if len(jobs) == 0 || !(guess > 0) {
		return Prior{}, fmt.Errorf("learning coefficients takes at least one finished job and a guess of their scatter above zero")
	}
	p := Prior{Print: print, Jobs: len(jobs)}
	for s := range jobs[0].Influence {
		mean, sd := make([]complex128, len(jobs[0].Influence[s])), make([]float64, len(jobs[0].Influence[s]))
		for q := range mean {
			scatter, own := 0.0, 0.0
			for _, j := range jobs {
				if len(j.Influence) != len(jobs[0].Influence) || len(j.Influence[s]) != len(mean) {
					return Prior{}, fmt.Errorf("the jobs have different numbers of sensors or planes: learn only from jobs of one set-up")
				}
				mean[q] += j.Influence[s][q] / complex(float64(len(jobs)), 0)
				if j.InfluenceCov != nil {
					own += 2 * j.InfluenceCov[s][q].PerAxis() / float64(len(jobs))
				}
			}
			for _, j := range jobs {
				scatter += abs2(j.Influence[s][q] - mean[q])
			}
			if n := float64(len(jobs)); n > 1 {
				// the mean itself errs by scatter/n; few jobs know the scatter badly, so
				// the guess counts as two jobs of its own
				g := guess * guess * abs2(mean[q])
				scatter = (scatter + 2*g) / (n - 1 + 2) * (1 + 1/n)
			} else {
				scatter = guess * guess * abs2(mean[q])
			}
			sd[q] = math.Sqrt(math.Max(scatter, own))
		}
		p.Mean, p.SD = append(p.Mean, mean), append(p.SD, sd)
	}
	return p, nil
}
