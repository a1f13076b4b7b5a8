package rig

import "math"

const states = 8 // q and q'

type (
	square [states][states]float64
	inputs [states][4]float64
)

// stepper carries the state s = [q, q'] over one sample exactly, for an input
// that goes straight from its value at this sample to that at the next:
//
//	s <- E s + P u + Q (u_next - u),  E = exp(A t), P = int E, Q = int P / t
//
// An input held over the sample, even taken at its middle, would err in the
// velocity by (natural frequency x t)^2/12, which the springs then show as some
// 1e-4 of the acceleration.
type stepper struct {
	accel [4][states]float64 // q'' = accel s + u / inertia
	inv   [4]float64
	e     square
	p, q  inputs
}

func newStepper(b *Body, omega, dt float64) stepper {
	k, c := b.matrices(omega)
	m := b.inertia()
	var st stepper
	var a square
	for i := range 4 {
		st.inv[i] = 1 / m[i]
		a[i][4+i] = 1
		for j := range 4 {
			a[4+i][j] = -k[i][j] / m[i]
			a[4+i][4+j] = -c[i][j] / m[i]
		}
		st.accel[i] = a[4+i]
	}
	e, p, q := exponential(&a, dt)
	st.e = e
	for i := range states {
		for j := range 4 {
			st.p[i][j] = p[i][4+j] * st.inv[j]
			st.q[i][j] = q[i][4+j] * st.inv[j] / dt
		}
	}
	return st
}

// acceleration is q” for state s and input u = [fx, gx, fy, gy].
func (st *stepper) acceleration(s *[states]float64, u *[4]float64) (a [4]float64) {
	for i := range 4 {
		v := u[i] * st.inv[i]
		for j := range states {
			v += st.accel[i][j] * s[j]
		}
		a[i] = v
	}
	return a
}

// advance is one sample of time, from input u to input next.
func (st *stepper) advance(s *[states]float64, u, next *[4]float64) {
	var n [states]float64
	d := [4]float64{next[0] - u[0], next[1] - u[1], next[2] - u[2], next[3] - u[3]}
	for i := range states {
		v := 0.0
		for j := range states {
			v += st.e[i][j] * s[j]
		}
		for j := range 4 {
			v += st.p[i][j]*u[j] + st.q[i][j]*d[j]
		}
		n[i] = v
	}
	*s = n
}

// exponential returns exp(a t), its integral from 0 to t and the integral of
// that: a Taylor series of 14 terms on a halved step, doubled back (scaling and
// squaring; C. Moler and C. Van Loan, SIAM Review 45(1), 2003, method 3). To
// double a step h, Q becomes Q + h P + E Q, P becomes P + E P, E becomes E E.
func exponential(a *square, t float64) (e, p, q square) {
	norm := 0.0
	for i := range states {
		row := 0.0
		for j := range states {
			row += math.Abs(a[i][j])
		}
		norm = max(norm, row)
	}
	halvings := 0
	for ; norm*t > 0.5; halvings++ {
		t /= 2
	}
	var term square
	for i := range states {
		e[i][i], p[i][i], q[i][i], term[i][i] = 1, t, t*t/2, 1
	}
	for k := 1; k <= 14; k++ {
		term = product(&term, a)
		for i := range states {
			for j := range states {
				term[i][j] *= t / float64(k)
				e[i][j] += term[i][j]
				p[i][j] += term[i][j] * t / float64(k+1)
				q[i][j] += term[i][j] * t * t / float64((k+1)*(k+2))
			}
		}
	}
	for range halvings {
		eq, ep := product(&e, &q), product(&e, &p)
		for i := range states {
			for j := range states {
				q[i][j] += t*p[i][j] + eq[i][j]
				p[i][j] += ep[i][j]
			}
		}
		e = product(&e, &e)
		t *= 2
	}
	return e, p, q
}

func product(a, b *square) (c square) {
	for i := range states {
		for k := range states {
			v := a[i][k]
			for j := range states {
				c[i][j] += v * b[k][j]
			}
		}
	}
	return c
}
