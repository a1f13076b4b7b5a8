package place

import (
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// Fitted is a weight that sits on the rotor already, for instance a clip of an
// earlier balancing.
type Fitted struct {
	Position int     // number of the place
	Mass     float64 // kg
	Fixed    bool    // may not be touched; it still fills its place
}

// usual is the number of weights up to which the trade-off is always shown.
const usual = 4

// Options narrow a split. The zero value asks for the fewest weights within 2 %
// of the target, stacks allowed, boxes never empty.
type Options struct {
	MaxWeights int      // most weights handled, up to 32; 0 = four, or three more than the fewest that could reach so far
	Accept     float64  // kg at the plane's radius, residual that is near enough; 0 = 2 % of the target
	Stack      int      // most weights on one place; 0 = as many as its cap carries
	Stock      []int    // how many of each of the plane's Masses are left; nil = enough of all
	Existing   []Fitted // weights on the rotor now
	Speed      float64  // rad/s, highest speed, for the force on a fastener; 0 = unknown
	Work       int      // candidates looked at before a search is cut off; 0 = 200 million, a second or two

	open   bool // MaxWeights was left to the search
	always int  // the trade-off is worked out up to here even where fewer weights reach
}

// Piece is one weight that is put on.
type Piece struct {
	Mass float64 // kg
	From int     // number of the place it is taken from; 0 = from the box
	Cut  bool    // to be cut or bought to this mass
}

// Placed is what is put on one place, on top of what stays there.
type Placed struct {
	Number int     // of the place; 0 = a free angle
	Angle  float64 // rad from the mark, with rotation
	Radius float64 // m; 0 = unknown
	Mass   float64 // kg, sum of the pieces
	Pieces []Piece
}

// Step is one line of the trade-off: the least residual that this many weights
// reach.
type Step struct {
	Weights  int
	Residual float64 // kg at the plane's radius
	Mass     float64 // kg put on
	Bound    float64 // kg, proven: no choice of this many weights does better. Equal to Residual where the search was complete
}

// Note is something the person must know, in the form of a verdict.
type Note struct {
	Code string // stable key, kebab-case
	Text string
}

// Placement answers Split.
type Placement struct {
	Plane    string
	Target   complex128 // kg at the plane's radius: the change that was asked for
	Placed   []Placed   // put on, in the order of their angle
	Removed  []Fitted   // taken off
	Residual complex128 // kg at the plane's radius: what the change falls short or over, got - target
	Weights  int        // weights handled: put on and taken off
	Reached  bool       // the residual is within what was asked
	AtLeast  int        // proven: fewer weights do not reach it; 0 = proven that no number of them does, or none is needed
	Complete bool       // proven: no fewer weights reach it, and no choice of this many comes nearer
	Tradeoff []Step     // by number of weights, only steps that improve
	Left     []int      // Stock after this placement; nil if no stock was given
	Instead  *Placement // where the box does not reach: the answer with a weight cut to size; nil = none found
	Notes    []Note
}

// Got is the change the placement makes, kg at the plane's radius.
func (p Placement) Got() complex128 { return p.Target + p.Residual }

// Mass is the mass put on in kg.
func (p Placement) Mass() (m float64) {
	for _, q := range p.Placed {
		m += q.Mass
	}
	return m
}

// Has tells whether a note of this code was given.
func (p Placement) Has(code string) bool {
	for _, n := range p.Notes {
		if n.Code == code {
			return true
		}
	}
	return false
}

func (p *Placement) note(code, format string, args ...any) {
	p.Notes = append(p.Notes, Note{code, fmt.Sprintf(format, args...)})
}

// Split finds the weights that make the change target (complex mass in kg at
// the plane's radius, relative to the rotor as it stands with o.Existing on it).
//
//   - places and masses given: exact search, fewest weights first;
//   - places but no masses: any masses can be cut, so the target is met exactly
//     on the two allowed places beside it (or more, where a cap asks for it);
//   - no places, masses given: two groups of weights at free angles;
//   - neither: one weight.
//
// An unreachable target is no error: Reached is false, the nearest answer is
// returned and a note says what is missing. An error means that the question
// itself cannot be understood.
func Split(p rotor.Plane, target complex128, o Options) (Placement, error) {
	if err := check(p, target, &o); err != nil {
		return Placement{}, err
	}
	out := Placement{Plane: p.Name, Target: target, Complete: true}
	if p.MaxForce > 0 && !(o.Speed > 0 && radiusKnown(p)) {
		out.note("force-unknown", forceUnknown, name(p))
	}
	switch {
	case len(p.Positions) == 0 && len(p.Masses) == 0:
		splitOne(&out, p, o)
	case len(p.Positions) == 0:
		splitFree(&out, p, o)
	case len(p.Masses) == 0:
		splitAny(&out, p, o)
	default:
		splitBox(&out, p, o)
	}
	return out, nil
}

const forceUnknown = "The force on a fastener of %s cannot be checked, because the speed or the radius is not known: state both before a weight is fitted."

func check(p rotor.Plane, target complex128, o *Options) error {
	if !finite(target) {
		return fmt.Errorf("the correction of %s is not a number: solve the case before placing it", name(p))
	}
	for _, m := range p.Masses {
		if !(m > 0) || math.IsInf(m, 0) {
			return fmt.Errorf("a weight in the box of %s has the mass %g g: every mass must be above zero", name(p), m*1e3)
		}
	}
	for _, q := range p.Positions {
		if q.Radius < 0 || !finite(cmplx.Rect(1, q.Angle)) {
			return fmt.Errorf("place %d of %s has no usable angle or radius: correct the plane's description", q.Number, name(p))
		}
	}
	if o.Stock != nil && len(o.Stock) != len(p.Masses) {
		return fmt.Errorf("the stock names %d counts for the %d masses of %s: give one count for each mass", len(o.Stock), len(p.Masses), name(p))
	}
	for _, f := range o.Existing {
		if index(p.Positions, f.Position) < 0 {
			return fmt.Errorf("a weight is said to sit on place %d, which %s does not have: correct the place's number", f.Position, name(p))
		}
	}
	o.always = min(o.MaxWeights, usual+1)
	if o.MaxWeights <= 0 {
		o.always, o.MaxWeights, o.open = usual, mostPieces, true
	}
	if o.Work <= 0 {
		o.Work = 200e6
	}
	if !(o.Accept > 0) {
		o.Accept = 0.02 * cmplx.Abs(target)
	}
	return nil
}

// lever is the factor by which a mass on place q counts at the plane's radius.
func lever(p rotor.Plane, q rotor.Position) float64 {
	if q.Radius > 0 && p.Radius > 0 {
		return q.Radius / p.Radius
	}
	return 1
}

// radiusAt is the radius of a place in m, 0 if unknown.
func radiusAt(p rotor.Plane, q rotor.Position) float64 {
	if q.Radius > 0 {
		return q.Radius
	}
	return p.Radius
}

// capAt is the most mass in kg that one place may carry, by the plane's mass cap
// and by the force on its fastener; +Inf where neither is given.
func capAt(p rotor.Plane, radius, speed float64) float64 {
	c := math.Inf(1)
	if p.Cap > 0 {
		c = p.Cap
	}
	if p.MaxForce > 0 && speed > 0 && radius > 0 {
		c = math.Min(c, p.MaxForce/rotor.Force(1, radius, speed))
	}
	return c
}

func radiusKnown(p rotor.Plane) bool {
	if p.Radius > 0 {
		return true
	}
	for _, q := range p.Positions {
		if q.Radius <= 0 {
			return false
		}
	}
	return len(p.Positions) > 0
}

func index(ps []rotor.Position, number int) int {
	for i, q := range ps {
		if q.Number == number {
			return i
		}
	}
	return -1
}

func finite(z complex128) bool { return !cmplx.IsNaN(z) && !cmplx.IsInf(z) }

func name(p rotor.Plane) string {
	if p.Name == "" {
		return "the plane"
	}
	return p.Name
}
