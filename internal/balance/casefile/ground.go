package casefile

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// Parts are the parts of a rotor on which removing material is spoken of at all.
// Blades and hubs are none of them.
var Parts = []string{"rim", "ring", "disc", "pulley", "coupling"}

// ground is what the real rotor and the box allow on a plane, in kg, m and rad.
type ground struct {
	stack, most int
	stock       []int // nil = enough of all
	existing    []place.Fitted
	oneBox      bool // the weights come from the box of all planes

	radii   []float64 // other radii that may be tried
	movable []float64
	arc     float64 // half angle of a strip
	removal *Removal
}

// ground reads what a plane says of its places and weights, and completes the plane.
func (f *File) ground(p *Plane, out *rotor.Plane) (ground, error) {
	g := ground{stack: p.Stack, most: p.MaxPieces, stock: p.Stock, removal: p.Removal}
	if b := f.Box; b != nil && len(p.MassesG) == 0 {
		g.oneBox, g.stock, out.Masses = true, b.Stock, nil
		for _, m := range b.MassesG {
			out.Masses = append(out.Masses, m*1e-3)
		}
	}
	bad := func(format string, args ...any) (ground, error) {
		return g, fmt.Errorf("plane %q "+format, append([]any{p.Name}, args...)...)
	}
	switch {
	case g.stock != nil && len(g.stock) != len(out.Masses):
		return bad("has %d masses but a stock of %d figures: write how many there are of each mass", len(out.Masses), len(g.stock))
	case slices.ContainsFunc(g.stock, func(n int) bool { return n < 0 }):
		return bad("has a stock below zero: write how many there are of each mass")
	case slices.ContainsFunc(out.Masses, func(m float64) bool { return !(m > 0) }):
		return bad("has a mass in the box that is not above zero: correct masses_g")
	case p.Stack < 0 || p.MaxPieces < 0 || p.MaxPieces > 32:
		return bad("has stack %d and max_weights %d: write 0 or more, and at most 32 weights", p.Stack, p.MaxPieces)
	case p.MaxForceN < 0 || p.CapG < 0:
		return bad("has a cap below zero: write what the fastener carries, or leave it out")
	case len(p.RadiiMM) > 0 && len(p.RadiiMM) != p.Positions:
		return bad("has %d positions but %d position_radii_mm: write one radius for each position", p.Positions, len(p.RadiiMM))
	case len(p.MovableG) > 2 || slices.ContainsFunc(p.MovableG, func(m float64) bool { return !(m > 0) }):
		return bad("has movable_g %v: write one or two masses above zero", p.MovableG)
	case !(p.ArcDeg >= 0 && p.ArcDeg <= 180):
		return bad("has arc_deg %g: a strip may be up to 180 degrees long", p.ArcDeg)
	case slices.ContainsFunc(p.OtherRadiiMM, func(r float64) bool { return !(r > 0) }):
		return bad("has other_radii_mm %v: every radius must be above zero", p.OtherRadiiMM)
	}
	for i, r := range p.RadiiMM {
		if r < 0 {
			return bad("has the radius %g mm at position %d: it must be above zero", r, i+1)
		}
		out.Positions[i].Radius = r * 1e-3
	}
	for _, e := range p.Existing {
		if e.Position < 1 || e.Position > p.Positions || !(e.MassG > 0) {
			return bad("has an existing weight of %g g at position %d: write its mass, and a position from 1 to %d", e.MassG, e.Position, p.Positions)
		}
		g.existing = append(g.existing, place.Fitted{Position: e.Position, Mass: e.MassG * 1e-3, Fixed: e.Fixed})
	}
	for _, r := range p.OtherRadiiMM {
		g.radii = append(g.radii, r*1e-3)
	}
	for _, m := range p.MovableG {
		g.movable = append(g.movable, m*1e-3)
	}
	if len(g.movable) == 1 {
		g.movable = append(g.movable, g.movable[0])
	}
	g.arc = p.ArcDeg / 2 * math.Pi / 180
	return g, nil
}

// sight reads how a person stands before the rotor. Without the side and the
// sense of rotation nothing is drawn or read out: it might be fitted mirrored.
func (f *File) sight(j *Job) error {
	switch f.Turns {
	case "", "clockwise", "anticlockwise":
	default:
		return fmt.Errorf("turns = %q is not known: write clockwise or anticlockwise, as the rotor turns seen from the side named in seen_from", f.Turns)
	}
	if m := f.Machine; m != nil {
		if m.Blades < 0 || m.Blades > 1000 {
			return fmt.Errorf("machine.blades = %d: write how many blades there are, or leave it out", m.Blades)
		}
		j.Case.Machine.Blade1 = j.Convention.Radians(m.Blade1Deg)
	}
	if strings.TrimSpace(f.SeenFrom) != "" && f.Turns != "" {
		j.view = place.View{From: strings.TrimSpace(f.SeenFrom), Clockwise: f.Turns == "clockwise", Convention: j.Convention, Machine: j.Case.Machine}
	}
	return nil
}

// topSpeed is the highest speed in rad/s that the case knows of; 0 = unknown.
func (j *Job) topSpeed() float64 {
	speed := math.Max(j.Case.Machine.Speed, j.Case.Machine.MaxSpeed)
	for _, r := range j.Case.Runs {
		speed = math.Max(speed, r.Speed)
	}
	return speed
}

// last are the weights of the last run on a plane.
func (j *Job) last(plane string) (out []rotor.Weight) {
	if n := len(j.Case.Runs); n > 0 {
		for _, w := range j.Case.Runs[n-1].Weights {
			if w.Plane == plane {
				out = append(out, w)
			}
		}
	}
	return out
}

// onPlace is how far a weight may lie from a place, rad, to be taken as sitting
// on it: half a degree, our own choice.
const onPlace = 0.5 * math.Pi / 180

// standing is what is on plane i in the last run and stays there: the weights on
// its places, as found or fitted since, and the mass in kg of those beside them.
func (j *Job) standing(i int) (on []place.Fitted, beside float64) {
	for _, e := range j.grounds[i].existing {
		e.Fixed = true
		on = append(on, e)
	}
	p := j.Case.Planes[i]
	for _, w := range j.last(p.Name) {
		at, near := 0, onPlace
		for _, q := range p.Positions {
			if d := math.Abs(rotor.WrapRadians(q.Angle - w.Angle)); d <= near {
				at, near = q.Number, d
			}
		}
		if at == 0 {
			beside += w.Mass
		} else if w.Mass > 0 {
			on = append(on, place.Fitted{Position: at, Mass: w.Mass, Fixed: true})
		}
	}
	return on, beside
}

// returned is the stock with the weights of the last run back in the box.
func (j *Job) returned(i int) []int {
	g := j.grounds[i]
	if g.stock == nil {
		return nil
	}
	out := slices.Clone(g.stock)
	for k, p := range j.Case.Planes {
		if k != i && !(g.oneBox && j.grounds[k].oneBox) {
			continue
		}
		for _, w := range j.last(p.Name) {
			if at := slices.IndexFunc(j.Case.Planes[i].Masses, func(m float64) bool { return math.Abs(m-w.Mass) <= 1e-6*m }); at >= 0 {
				out[at]++
			}
		}
	}
	return out
}
