package spectrum

import "math"

// section is a digital filter of second order, direct form II transposed.
type section struct {
	b0, b1, b2, a1, a2 float64
	z1, z2             float64
}

// analog is (n0 + n1 s + n2 s^2) / (d0 + d1 s + d2 s^2).
type analog struct{ n0, n1, n2, d0, d1, d2 float64 }

// bilinear turns an analog section into a digital one with s = k (z-1)/(z+1).
func (a analog) bilinear(k float64) section {
	k2 := k * k
	d := a.d0 + a.d1*k + a.d2*k2
	return section{
		b0: (a.n0 + a.n1*k + a.n2*k2) / d, b1: 2 * (a.n0 - a.n2*k2) / d, b2: (a.n0 - a.n1*k + a.n2*k2) / d,
		a1: 2 * (a.d0 - a.d2*k2) / d, a2: (a.d0 - a.d1*k + a.d2*k2) / d,
	}
}

// at is the analog response at w rad/s.
func (a analog) at(w float64) complex128 {
	return complex(a.n0-a.n2*w*w, a.n1*w) / complex(a.d0-a.d2*w*w, a.d1*w)
}

func (s *section) step(x float64) float64 {
	y := s.b0*x + s.z1
	s.z1 = s.b1*x - s.a1*y + s.z2
	s.z2 = s.b2*x - s.a2*y
	return y
}

// settle puts the section into the state that a constant input x has led to for
// ever, and returns its constant output.
func (s *section) settle(x float64) float64 {
	y := x * (s.b0 + s.b1 + s.b2) / (1 + s.a1 + s.a2)
	s.z2 = s.b2*x - s.a2*y
	s.z1 = s.b1*x - s.a1*y + s.z2
	return y
}

// at is the digital response at w rad a sample.
func (s *section) at(w float64) complex128 {
	sin, cos := math.Sincos(w)
	z := complex(cos, -sin)
	return (complex(s.b0, 0) + z*(complex(s.b1, 0)+z*complex(s.b2, 0))) /
		(1 + z*(complex(s.a1, 0)+z*complex(s.a2, 0)))
}
