package place

import (
	"math"
	"math/cmplx"
	"testing"

	"counterpoise/internal/rotor"
)

// 137 g mm by an 8 mm drill of 118 degrees, radially from r 60 mm into steel:
// 5.30 mm. The prototype's figure counts the full cylinder's depth, which the
// number below must be shown to be: the depth without the point.
func TestRadialHole(t *testing.T) {
	c := Cutter{Diameter: 0.008, Point: deg(118), Radius: 0.06, Density: 7850, Allowed: true}
	h, err := c.Drill(cmplx.Rect(0.137/60, deg(30)), 0.06)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "moment of that depth, g mm", c.Moment(h.Depth)*1e6, 137, 1e-9)
	near(t, "cylinder, mm", (h.Depth-c.cone())*1e3, 5.30, 0.02)
	near(t, "angle, degrees", rotor.WithRotation.Degrees(h.Angle), 210, 1e-9)
	// By numeric integration over thin discs, without the formula.
	var u, m float64
	const n = 200000
	for i := range n {
		z := (float64(i) + 0.5) / n * h.Depth
		r := c.Diameter / 2
		if left := h.Depth - z; left < c.cone() {
			r *= left / c.cone()
		}
		dm := c.Density * math.Pi * r * r * h.Depth / n
		u, m = u+dm*(c.Radius-z), m+dm
	}
	near(t, "integrated moment, g mm", u*1e6, 137, 1e-4)
	near(t, "integrated mass, g", m*1e3, h.Mass*1e3, 1e-6)

	c.MaxDepth = 0.004
	if h, err = c.Drill(cmplx.Rect(0.137/60, 0), 0.06); err != nil || h.Holes < 2 || h.Depth > c.MaxDepth {
		t.Errorf("depth limited to 4 mm: %+v %v", h, err)
	}
	near(t, "all holes, g mm", float64(h.Holes)*c.Moment(h.Depth)*1e6, 137, 1e-6)
	c.Allowed = false
	if _, err = c.Drill(1e-3, 0.06); err == nil {
		t.Error("drilled without the maker's leave")
	}
	if _, _, err = c.Grind(1e-3, 0.06, 0.01, 0.3); err == nil {
		t.Error("ground without the maker's leave")
	}
}

func TestGrindByIntegration(t *testing.T) {
	c := Cutter{Radius: 0.15, Density: 7850, Allowed: true}
	a, d, err := c.Grind(cmplx.Rect(0.02, 1), 0.15, 0.03, deg(20))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "angle", a, 1-math.Pi, 1e-12)
	var u float64
	const n = 400
	for i := range n {
		r := c.Radius - d*(float64(i)+0.5)/n
		for j := range n {
			phi := deg(20) * (2*(float64(j)+0.5)/n - 1)
			u += c.Density * 0.03 * d / n * r * deg(40) / n * r * math.Cos(phi)
		}
	}
	near(t, "integrated moment, g mm", u*1e6, 0.02*0.15*1e6, 0.02)
	c.MaxDepth = d / 2
	if _, _, err = c.Grind(cmplx.Rect(0.02, 1), 0.15, 0.03, deg(20)); err == nil {
		t.Error("deeper than the maker allows")
	}
}

// sin(a)/a, tabulated: 0.995 0.980 0.955 0.90 0.83 at 10 20 30 45 60 degrees.
func TestArc(t *testing.T) {
	for d, want := range map[float64]float64{0: 1, 10: 0.995, 20: 0.980, 30: 0.955, 45: 0.900, 60: 0.827} {
		near(t, "arc", ArcEfficiency(deg(d)), want, 5e-4)
	}
	near(t, "strip for 10 g over +-30 degrees, g", Arc(10, deg(30)), 10.472, 1e-3)
}

// ISO 21940-21 proving: 5 g in at 4 in radius is a test mass of 1.25 g (Bloch and
// Geitner, Machinery Component Maintenance and Repair, p. 296), and twelve of them
// every 30 degrees are no unbalance at all.
func TestMomentAndCombine(t *testing.T) {
	near(t, "5 g at 1 in moved to 4 in, g", AtRadius(5, 0.0254, 4*0.0254), 1.25, 1e-12)
	p := rotor.Plane{Name: "A", Radius: 4 * 0.0254}
	var ws []rotor.Weight
	for _, q := range holes(12) {
		ws = append(ws, rotor.Weight{Plane: "A", Mass: 0.00125, Angle: q.Angle})
	}
	near(t, "ring of twelve", cmplx.Abs(Combine(p, ws)), 0, 1e-17)
	near(t, "eleven of them, g", cmplx.Abs(Combine(p, ws[1:]))*1e3, 1.25, 1e-12)
	ws[1].Plane = "B"
	near(t, "the other plane's does not count", cmplx.Abs(Combine(p, ws)-cmplx.Rect(0.00125, deg(210))), 0, 1e-17)
}
