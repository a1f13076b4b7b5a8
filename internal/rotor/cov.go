package rotor

import "math"

// Cov is the covariance of the real and imaginary part of a phasor, in the
// squared unit of the phasor. The zero value means exactly known; an unknown
// uncertainty is a separate fact that its owner states.
type Cov struct{ RR, RI, II float64 }

// Isotropic is the covariance with variance v on each axis and no correlation.
func Isotropic(v float64) Cov { return Cov{RR: v, II: v} }

// Add sums independent contributions.
func (c Cov) Add(d Cov) Cov { return Cov{c.RR + d.RR, c.RI + d.RI, c.II + d.II} }

// Scale multiplies the covariance by s (the phasor's scale squared).
func (c Cov) Scale(s float64) Cov { return Cov{c.RR * s, c.RI * s, c.II * s} }

// Times is the covariance of z times the phasor: scaled by |z|^2 and turned.
func (c Cov) Times(z complex128) Cov {
	a, b := real(z), imag(z)
	return Cov{
		RR: a*a*c.RR - 2*a*b*c.RI + b*b*c.II,
		RI: a*b*(c.RR-c.II) + (a*a-b*b)*c.RI,
		II: b*b*c.RR + 2*a*b*c.RI + a*a*c.II,
	}
}

// Conj is the covariance of the conjugate.
func (c Cov) Conj() Cov { return Cov{c.RR, -c.RI, c.II} }

// PerAxis is the variance of one axis, averaged over the two.
func (c Cov) PerAxis() float64 { return (c.RR + c.II) / 2 }

// Along is the variance along the direction of angle a (radians).
func (c Cov) Along(a float64) float64 {
	s, co := math.Sincos(a)
	return co*co*c.RR + 2*s*co*c.RI + s*s*c.II
}

// Principal returns the standard deviations along the major and minor axis of
// the error ellipse and the angle of the major axis in radians.
func (c Cov) Principal() (major, minor, angle float64) {
	m, d := (c.RR+c.II)/2, (c.RR-c.II)/2
	r := math.Hypot(d, c.RI)
	return math.Sqrt(math.Max(0, m+r)), math.Sqrt(math.Max(0, m-r)), math.Atan2(c.RI, d) / 2
}
