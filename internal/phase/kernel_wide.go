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
	q      complex128 // exp(-i n wide delta)
	middle complex128 // exp(-i n delta (wide-1)/2)
}

// product is what the kernel makes of one sector: sum x, and sum x exp(-i n
// theta) with theta counted from the middle of the sector's first group.
type product struct{ dc, re, im float64 }

func (w *wideStepper) set(half complex128) {
	full := half * half
	// two chains, so that neither waits for the other
	a, b, step := half, half*full, full*full
	for k := wide / 2; k < wide; k += 2 {
		w.put(k, a)
		w.put(k+1, b)
		a, b = a*step, b*step
	}
	w.middle = conj(power(half, wide-1))
	w.q = conj(power(full, wide))
}

func (w *wideStepper) put(k int, z complex128) {
	c, s := float32(real(z)), float32(imag(z))
	w.tab[k], w.tab[wide-1-k] = c, c
	w.tab[wide+k], w.tab[2*wide-1-k] = s, -s
}

// left is what follows the last whole group.
type left struct {
	product
	peak float32
}

// sectors sums the samples of consecutive sectors of whole groups, and what is
// left over, filled up with zeros to a group. peak is the largest |x| in the
// groups.
func (w *wideStepper) sectors(x []float32, groups []int, out []product) (rest left, peak float32) {
	n := 0
	for _, g := range groups {
		n += g * wide
	}
	_, _ = x[:n], out[:len(groups)] // what the assembly relies on
	if len(x) == 0 {                // two marks within a sample
		clear(out[:len(groups)])
		return rest, 0
	}
	peak = sumAVX2(&x[0], &groups[0], len(groups), &w.tab, real(w.q), imag(w.q), &out[0])
	if x = x[n:]; len(x) > 0 {
		var last [wide]float32
		copy(last[:], x)
		one := 1
		rest.peak = sumAVX2(&last[0], &one, 1, &w.tab, 1, 0, &rest.product)
	}
	return rest, peak
}
