package phase

// group is how many samples share one step of the rotator.
const group = 8

// stepper holds what one order needs to walk over evenly spaced samples: the
// cosines and sines of four half-odd steps and the rotation over a group. No
// trigonometric function is called per sample.
type stepper struct {
	cos, sin [group / 2]float32
	qr, qi   float64    // exp(-i n group delta)
	one      complex128 // exp(-i n delta)
	middle   complex128 // exp(-i n delta (group-1)/2): from a group's first sample to its middle
	wide     wideStepper
}

// set prepares for a step a sample; half is exp(i n delta/2).
func (st *stepper) set(half complex128, how reach) {
	if how == inWides {
		st.wide.set(half)
		return
	}
	full := half * half
	z := half
	for k := range st.cos {
		st.cos[k], st.sin[k] = float32(real(z)), float32(imag(z))
		z *= full
	}
	st.one = conj(full)
	q := full * full
	q *= q
	q *= q
	st.qr, st.qi = real(q), -imag(q)
	st.middle = conj(power(half, group-1))
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

// groups sums in groups as far as they go and then one by one.
func (st *stepper) groups(x []float32, r complex128, how reach) (dc, re, im float64) {
	if how == byOnes || len(x) < group {
		return st.few(x, r)
	}
	n := len(x) / group
	dc, re, im = st.sum(x[:n*group], r*st.middle)
	if x = x[n*group:]; len(x) > 0 {
		d, a, b := st.few(x, r*power(complex(st.qr, st.qi), n))
		dc, re, im = dc+d, re+a, im+b
	}
	return dc, re, im
}

// reach says how many samples share a step.
type reach uint8

const (
	byOnes reach = iota
	inGroups
	inWides
)

// unit is the number of samples into which sectors are cut.
func (h reach) unit() int { return [...]int{1, group, wide}[h] }

// reachFor chooses for n samples between anchors.
func reachFor(n float64) reach {
	switch {
	case n < sparse/2:
		return byOnes
	case n >= wideFrom && hasWide:
		return inWides
	}
	return inGroups
}
