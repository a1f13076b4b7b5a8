package phase

// The wide kernel walks over the samples 32 at a time with the vector unit, in
// the same way as stepper.sum does 8 at a time, and finds the largest sample on
// the way. kernel_amd64.s is its only assembly; everything falls back to
// stepper.sum where the processor lacks it, and a test holds the two together.

// wide is the number of samples that share one step of the wide rotator.
const wide = 32

// wideFrom is the number of samples a turn from which it is worth its set-up.
const wideFrom = 256

// wideStepper holds the cosines, then the sines, of half-odd steps from the
// middle of a group.
type wideStepper struct {
	tab    [2 * wide]float32
	qr, qi float64    // exp(-i n wide delta)
	middle complex128 // exp(-i n delta (wide-1)/2)
}

func (w *wideStepper) set(st *stepper, half complex128) {
	full := half * half
	z := half
	for k := wide / 2; k < wide; k++ {
		w.tab[k], w.tab[wide-1-k] = float32(real(z)), float32(real(z))
		w.tab[wide+k], w.tab[wide+wide-1-k] = float32(imag(z)), -float32(imag(z))
		z *= full
	}
	q := complex(st.qr, st.qi)
	q *= q
	q *= q
	w.qr, w.qi = real(q), imag(q)
	w.middle = conj(power(half, wide-1))
}

// sum is stepper.sum over any number of samples: the last group is filled up
// with zeros. The rotator r is exp(-i n theta) at the middle of the first group;
// next is that at the middle of the group after the last whole one. peak is the
// largest |x|.
func (w *wideStepper) sum(x []float32, r complex128) (dc, re, im float64, peak float32, next complex128) {
	rr, ri := real(r), imag(r)
	if n := len(x) / wide; n > 0 {
		dc, re, im, rr, ri, peak = sumAVX2(&x[0], n, &w.tab, rr, ri, w.qr, w.qi)
		x = x[n*wide:]
	}
	if len(x) > 0 {
		var last [wide]float32
		copy(last[:], x)
		d, a, b, _, _, top := sumAVX2(&last[0], 1, &w.tab, rr, ri, w.qr, w.qi)
		dc, re, im, peak = dc+d, re+a, im+b, max(peak, top)
	}
	return dc, re, im, peak, complex(rr, ri)
}
