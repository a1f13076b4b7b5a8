package phase

import (
	"math"
	"math/cmplx"
	"testing"
)

// Every way of summing must give what the plain sum over exp(-i n theta) gives.
func TestKernelsAgreeWithTheDefinition(t *testing.T) {
	r := rng(7)
	for _, n := range []int{1, 7, 8, 31, 32, 33, 100, 128, 1030} {
		x := make([]float32, n)
		for i := range x {
			x[i] = float32(r.NormFloat64() + 5)
		}
		for _, order := range []int{1, 2, 8} {
			delta := 2 * math.Pi / 1021.3
			theta := r.Float64() * 6
			var want complex128
			dc, size := 0.0, 0.0
			for i, v := range x {
				want += complex(float64(v), 0) * cmplx.Rect(1, -float64(order)*(theta+delta*float64(i)))
				dc += float64(v)
				size += math.Abs(float64(v))
			}
			for how := byOnes; how <= inWides; how++ {
				if how == inWides && !hasWide {
					t.Log("no wide kernel on this processor")
					continue
				}
				var st stepper
				st.set(cmplx.Rect(1, float64(order)*delta/2), how)
				d, got := walk(&st, x, cmplx.Rect(1, -float64(order)*theta), how)
				if !(cmplx.Abs(got-want) < 2e-7*size) || !(math.Abs(d-dc) < 2e-7*size) {
					t.Errorf("%d samples, order %d, way %d: %v want %v, sum %v want %v", n, order, how, got, want, d, dc)
				}
			}
		}
	}
}

// walk sums x from the rotator r of its first sample on; the wide kernel in
// sectors of two groups.
func walk(st *stepper, x []float32, r complex128, how reach) (dc float64, z complex128) {
	if how != inWides {
		d, re, im := st.groups(x, r, how)
		return d, complex(re, im)
	}
	var groups []int
	for n := len(x) / wide; n > 0; n -= 2 {
		groups = append(groups, min(n, 2))
	}
	groups = append(groups, 0) // marks so close that no group fits between them
	out := make([]product, len(groups))
	rest, _ := st.wide.sectors(x, groups, out)
	r *= st.wide.middle
	for i, o := range out {
		dc += o.dc
		z += complex(o.re, o.im) * r
		for range groups[i] {
			r *= st.wide.q
		}
	}
	return dc + rest.dc, z + complex(rest.re, rest.im)*r
}

// The wide kernel reports the largest sample and lets NaN through to the sums.
func TestWideKernelSeesPeaksAndNaN(t *testing.T) {
	if !hasWide {
		t.Skip("no wide kernel on this processor")
	}
	for i := range 77 {
		x := make([]float32, 77)
		x[i] = -9
		var st stepper
		st.set(cmplx.Rect(1, 0.005), inWides)
		out := make([]product, 2)
		if rest, peak := st.wide.sectors(x, []int{1, 1}, out); max(peak, rest.peak) != 9 {
			t.Errorf("sample %d: peak %v and %v", i, peak, rest.peak)
		}
		for _, bad := range []float32{float32(math.NaN()), float32(math.Inf(1)), float32(math.Inf(-1))} {
			x[i] = bad
			if _, z := walk(&st, x, 1, inWides); finite(z) {
				t.Errorf("%v at %d vanished", bad, i)
			}
		}
	}
}
