package phase

import "math"

// group is how many samples share one step of the rotator.
const group = 8

// stepper holds what one order needs to walk over evenly spaced samples: the
// cosines and sines of four half-odd steps and the rotation over a group. No
// trigonometric function is called per sample.
type stepper struct {
	cos, sin [group / 2]float32
	qr, qi   float64    // exp(-i n group delta)
	one      complex128 // exp(-i n delta)
}

// set prepares for order n at delta rad a sample.
func (st *stepper) set(n int, delta float64) {
	s, c := math.Sincos(float64(n) * delta / 2)
	half := complex(c, s)
	full := half * half
	z := half
	for k := range st.cos {
		st.cos[k], st.sin[k] = float32(real(z)), float32(imag(z))
		z *= full
	}
	st.one = complex(real(full), -imag(full))
	q := full * full
	q *= q
	q *= q
	st.qr, st.qi = real(q), -imag(q)
}

// sum returns sum x and sum x exp(-i n theta) over whole groups. The rotator r
// is exp(-i n theta) at the middle of the first group. Pairs around the middle
// of a group share a cosine and a sine, so the products within a group are
// single precision as the samples are; all that accumulates is double.
func (st *stepper) sum(x []float32, r complex128) (dc, re, im float64) {
	c0, c1, c2, c3 := st.cos[0], st.cos[1], st.cos[2], st.cos[3]
	s0, s1, s2, s3 := st.sin[0], st.sin[1], st.sin[2], st.sin[3]
	rr, ri, qr, qi := real(r), imag(r), st.qr, st.qi
	for len(x) >= group {
		y := x[:group:group]
		p0, m0 := y[4]+y[3], y[4]-y[3]
		p1, m1 := y[5]+y[2], y[5]-y[2]
		p2, m2 := y[6]+y[1], y[6]-y[1]
		p3, m3 := y[7]+y[0], y[7]-y[0]
		p := float64((c0*p0 + c1*p1) + (c2*p2 + c3*p3))
		m := float64((s0*m0 + s1*m1) + (s2*m2 + s3*m3))
		dc += float64((p0 + p1) + (p2 + p3))
		re += p*rr + m*ri // (p - i m)(rr + i ri)
		im += p*ri - m*rr
		rr, ri = rr*qr-ri*qi, rr*qi+ri*qr
		x = x[group:]
	}
	return dc, re, im
}

// few is sum for any number of samples, one by one; r is exp(-i n theta) at the
// first of them.
func (st *stepper) few(x []float32, r complex128) (dc, re, im float64) {
	for _, v := range x {
		f := float64(v)
		dc += f
		re += f * real(r)
		im += f * imag(r)
		r *= st.one
	}
	return dc, re, im
}

// ahead turns the rotator of the middle of the first group into that of the
// sample n (whole groups) after the first.
func (st *stepper) ahead(n int) complex128 {
	z := complex(st.qr, st.qi)
	r := complex128(1)
	for range n / group {
		r *= z
	}
	// from the middle of a group back to its first sample: 3.5 steps
	s, c := float64(st.sin[3]), float64(st.cos[3])
	return r * complex(c, s)
}
