package job

import (
	"fmt"
	"math"

	"counterpoise/internal/rotor"
)

// CheckForce refuses weights that are no weights, that sit on no plane of the
// job, or that pull harder than the plane may carry at the highest speed the
// rotor can reach. Masses on one place add up.
func (u *Setup) CheckForce(ws []rotor.Weight) error {
	omega := max(u.Machine.Speed, u.Machine.MaxSpeed)
	inPlane := map[string]float64{}
	type place struct {
		plane string
		angle int // thousandths of a radian
	}
	atPlace := map[place]float64{}
	for _, w := range ws {
		i := u.plane(w.Plane)
		if i < 0 {
			return fmt.Errorf("there is no plane %q in this job", w.Plane)
		}
		p := u.Planes[i]
		if !(w.Mass >= 0) || math.IsInf(w.Mass, 0) || math.IsNaN(w.Angle) || math.IsInf(w.Angle, 0) || !(w.Radius >= 0) || math.IsInf(w.Radius, 0) {
			return fmt.Errorf("a weight on plane %q has a mass, angle or radius that is not a number of zero or more", w.Plane)
		}
		inPlane[w.Plane] += w.Mass
		if m := inPlane[w.Plane]; p.Cap > 0 && m > p.Cap*(1+1e-9) {
			return fmt.Errorf("%.4g g on plane %q are more than its cap of %.4g g: take weights off, or spread the correction over other planes", m*1e3, w.Plane, p.Cap*1e3)
		}
		if p.MaxForce <= 0 || w.Mass == 0 {
			continue
		}
		r := w.Radius
		if r == 0 {
			r = p.Radius
		}
		if r == 0 || omega == 0 {
			return fmt.Errorf("the pull of a weight on plane %q cannot be worked out, because its radius or the highest speed is not known: complete the description of the machine", w.Plane)
		}
		at := place{w.Plane, int(math.Round(math.Mod(rotor.WrapRadians(w.Angle)+2*math.Pi, 2*math.Pi) * 1e3))}
		atPlace[at] += rotor.Force(w.Mass, r, omega)
		if f := atPlace[at]; f > p.MaxForce*(1+1e-9) {
			return fmt.Errorf("the weights on one place of plane %q would pull %.4g N at %.4g rpm, more than the %.4g N it may carry: use several places or less mass", w.Plane, f, rotor.RPM(omega), p.MaxForce)
		}
	}
	return nil
}

func (u *Setup) plane(name string) int {
	for i, p := range u.Planes {
		if p.Name == name {
			return i
		}
	}
	return -1
}
