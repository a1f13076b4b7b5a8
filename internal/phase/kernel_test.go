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
				cut := n / 3 / how.unit() * how.unit()
				d, re, im, _ := st.sector(x[:cut], x[cut:], cmplx.Rect(1, -float64(order)*theta), how)
				if !(cmplx.Abs(complex(re, im)-want) < 2e-7*size) || !(math.Abs(d-dc) < 2e-7*size) {
					t.Errorf("%d samples, order %d, way %d: %v want %v, sum %v want %v", n, order, how, complex(re, im), want, d, dc)
				}
			}
		}
	}
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
		if _, _, _, peak := st.sector(x, nil, 1, inWides); peak != 9 {
			t.Errorf("sample %d: peak %v", i, peak)
		}
		for _, bad := range []float32{float32(math.NaN()), float32(math.Inf(1)), float32(math.Inf(-1))} {
			x[i] = bad
			if _, re, im, _ := st.sector(x, nil, 1, inWides); finite(complex(re, im)) {
				t.Errorf("%v at %d vanished", bad, i)
			}
		}
	}
}
