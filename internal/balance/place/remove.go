package place

import (
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// Cutter removes material. All lengths in m, density in kg/m^3.
type Cutter struct {
	Diameter float64 // of the drill
	Point    float64 // rad, full angle of the drill's point; 0 = flat bottom. A common twist drill has 118 degrees
	Radius   float64 // of the surface where the hole starts, drilled towards the shaft
	Density  float64
	MaxDepth float64 // what the maker allows, from the surface to the tip; 0 = not stated
	Allowed  bool    // the maker allows removing material here, and it is neither a blade nor a stressed part of the hub
}

// Where removed material goes and how deep.
type Hole struct {
	Angle float64 // rad from the mark, with rotation
	Depth float64 // m from the surface to the tip of the drill
	Mass  float64 // kg taken out
	Holes int     // equal holes side by side that this depth stands for
}

// Opposite is the angle in radians where material is removed instead of a weight
// put on: a removed mass acts as the same mass on the other side.
func Opposite(angle float64) float64 { return rotor.WrapRadians(angle + math.Pi) }

// Moment is the unbalance in kg m that a radial hole of depth h to the tip takes
// out:
//
//	U = rho A [ l (r - l/2) + c/3 (r - l - c/4) ],   l = h - c
//
// with A the drill's area, r the radius of the surface, l the cylinder's length
// and c the height of the cone that the point makes: the mass of each part times
// the radius of its centre (a cone's centre is a quarter of its height above its base).
func (c Cutter) Moment(h float64) float64 {
	l, cone := c.parts(h)
	// A hole no deeper than the point is a cone of the depth itself.
	area := math.Pi / 4 * c.Diameter * c.Diameter
	if l == 0 && c.cone() > 0 {
		area *= (cone / c.cone()) * (cone / c.cone())
	}
	return c.Density * area * (l*(c.Radius-l/2) + cone/3*(c.Radius-l-cone/4))
}

func (c Cutter) mass(h float64) float64 {
	l, cone := c.parts(h)
	area := math.Pi / 4 * c.Diameter * c.Diameter
	if l == 0 && c.cone() > 0 {
		area *= (cone / c.cone()) * (cone / c.cone())
	}
	return c.Density * area * (l + cone/3)
}

func (c Cutter) cone() float64 {
	if c.Point <= 0 || c.Point >= math.Pi {
		return 0
	}
	return c.Diameter / 2 / math.Tan(c.Point/2)
}

func (c Cutter) parts(h float64) (cylinder, cone float64) {
	cone = math.Min(h, c.cone())
	return h - cone, cone
}

// Drill turns a wanted change (kg at radius ref) into a hole on the opposite
// side, or into several equal ones side by side where the maker's depth asks for
// it. Removing material is refused unless the maker allows it.
func (c Cutter) Drill(change complex128, ref float64) (Hole, error) {
	if !c.Allowed {
		return Hole{}, fmt.Errorf("removing material is offered only where the maker allows it, never on blades or a stressed hub: fit a weight instead")
	}
	if !(c.Diameter > 0 && c.Radius > 0 && c.Density > 0 && ref > 0) {
		return Hole{}, fmt.Errorf("the depth of a hole needs the drill's diameter, the radius of the surface, the density and the plane's radius: state them all")
	}
	u := cmplx.Abs(change) * ref
	deepest := c.Radius // at most to the shaft's axis
	if c.MaxDepth > 0 {
		deepest = math.Min(deepest, c.MaxDepth)
	}
	n := math.Ceil(u / c.Moment(deepest) * (1 - 1e-12))
	if n > 6 {
		return Hole{}, fmt.Errorf("the correction of %.0f g mm would take %.0f holes of %.1f mm, more than 6 side by side: use a larger drill, a larger radius or a weight", u*1e6, n, c.Diameter*1e3)
	}
	n = math.Max(n, 1)
	lo, hi := 0.0, deepest
	for range 100 {
		if mid := (lo + hi) / 2; c.Moment(mid) < u/n {
			lo = mid
		} else {
			hi = mid
		}
	}
	return Hole{Angle: Opposite(cmplx.Phase(change)), Depth: hi, Mass: n * c.mass(hi), Holes: int(n)}, nil
}

// Grind is the depth in m to grind off the rim on the opposite side: a strip of
// width (along the shaft) and half angle half, evenly deep, at the surface
// radius. The strip acts by the moment rho width depth r^2 2 sin(half).
func (c Cutter) Grind(change complex128, ref, width, half float64) (angle, depth float64, err error) {
	if !c.Allowed {
		return 0, 0, fmt.Errorf("removing material is offered only where the maker allows it, never on blades or a stressed hub: fit a weight instead")
	}
	if !(c.Radius > 0 && c.Density > 0 && ref > 0 && width > 0 && half > 0 && half <= math.Pi/2) {
		return 0, 0, fmt.Errorf("the depth of a ground strip needs its width, half angle (up to 90 degrees), the surface radius, the density and the plane's radius: state them all")
	}
	// U = rho width 2 sin(half) (r^3 - (r-d)^3)/3
	u := cmplx.Abs(change) * ref
	cube := c.Radius*c.Radius*c.Radius - 3*u/(c.Density*width*2*math.Sin(half))
	depth = c.Radius - math.Cbrt(math.Max(cube, 0))
	if cube <= 0 || c.MaxDepth > 0 && depth > c.MaxDepth {
		return 0, 0, fmt.Errorf("the strip would have to be %.1f mm deep, more than the maker allows: grind a wider or longer strip, or fit a weight", depth*1e3)
	}
	return Opposite(cmplx.Phase(change)), depth, nil
}
