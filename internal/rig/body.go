package rig

import (
	"math"
	"math/cmplx"
)

// Support is one bearing with what it stands on.
type Support struct {
	Z      float64 // m from the centre of gravity
	Kx, Ky float64 // N/m
}

// Body is the moving body: rotor and frame together, about its centre of gravity.
type Body struct {
	Mass     float64 // kg
	Id, Ip   float64 // kg m^2, of the body across the shaft and of the rotor about it
	Supports []Support
	Zeta     float64 // damping of a support: c = 2 zeta sqrt(k m/2)
}

// springs sums stiffness (or damping) over the supports for one direction:
// force per displacement, force per tilt (= moment per displacement), moment
// per tilt.
type springs struct{ ff, fm, mm float64 }

func (b *Body) sum(value func(Support) float64) (s springs) {
	for _, u := range b.Supports {
		k := value(u)
		s.ff += k
		s.fm += k * u.Z
		s.mm += k * u.Z * u.Z
	}
	return s
}

func (b *Body) damper(k float64) float64 { return 2 * b.Zeta * math.Sqrt(k*b.Mass/2) }

// matrices returns stiffness, and damping with the gyroscopic term of the
// angular speed omega (rad/s), of q = [x, al, y, ga].
func (b *Body) matrices(omega float64) (k, c [4][4]float64) {
	for d, stiff := range [2]func(Support) float64{
		func(s Support) float64 { return s.Kx },
		func(s Support) float64 { return s.Ky },
	} {
		i := 2 * d
		ks := b.sum(stiff)
		cs := b.sum(func(s Support) float64 { return b.damper(stiff(s)) })
		k[i][i], k[i][i+1], k[i+1][i], k[i+1][i+1] = ks.ff, ks.fm, ks.fm, ks.mm
		c[i][i], c[i][i+1], c[i+1][i], c[i+1][i+1] = cs.ff, cs.fm, cs.fm, cs.mm
	}
	c[1][3] += b.Ip * omega
	c[3][1] -= b.Ip * omega
	return k, c
}

// inertia is the diagonal of the mass matrix.
func (b *Body) inertia() [4]float64 { return [4]float64{b.Mass, b.Id, b.Mass, b.Id} }

// respond is the steady displacement phasor of q = [x, al, y, ga] to a force f
// (N) and a moment g (N m) that turn with the rotor at omega (rad/s). ok is
// false only for a body without stiffness.
func (b *Body) respond(omega float64, f, g complex128) (q [4]complex128, ok bool) {
	k, c := b.matrices(omega)
	m := b.inertia()
	var a [4][5]complex128
	for i := range 4 {
		for j := range 4 {
			a[i][j] = complex(k[i][j], omega*c[i][j])
		}
		a[i][i] -= complex(omega*omega*m[i], 0)
	}
	a[0][4], a[1][4], a[2][4], a[3][4] = f, g, -1i*f, -1i*g
	return solve4(a)
}

// solve4 is Gaussian elimination with row exchange; column 4 is the right side.
func solve4(a [4][5]complex128) (x [4]complex128, ok bool) {
	for i := range 4 {
		p := i
		for r := i + 1; r < 4; r++ {
			if cmplx.Abs(a[r][i]) > cmplx.Abs(a[p][i]) {
				p = r
			}
		}
		if a[p][i] == 0 {
			return x, false
		}
		a[i], a[p] = a[p], a[i]
		for r := i + 1; r < 4; r++ {
			h := a[r][i] / a[i][i]
			for j := i; j < 5; j++ {
				a[r][j] -= h * a[i][j]
			}
		}
	}
	for i := 3; i >= 0; i-- {
		x[i] = a[i][4]
		for j := i + 1; j < 4; j++ {
			x[i] -= a[i][j] * x[j]
		}
		x[i] /= a[i][i]
	}
	return x, true
}
