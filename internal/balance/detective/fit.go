package detective

import (
	"math"
	"math/cmplx"
)

// job is a case in numbers: what stood on the rotor and what was read.
type job struct {
	state []int          // [run], which V0 a run has
	w     [][]complex128 // [run][plane], kg at the plane's radius
	v     [][]complex128 // [run][sensor], peak phasor
	noise [][]float64    // [run][sensor], variance per axis; 0 = nothing usable
	slip  float64        // relative variance per axis of a weight as placed
	turn  []bool         // [run], these runs share an unknown turn of phase; nil = none do
}

// misfit is what the best fit leaves.
type misfit struct {
	chi2  float64 // with the best turn
	dof   float64 // real degrees of freedom, without the turn
	score float64 // -2 ln(likelihood), the turn averaged out over the circle
	turn  float64 // rad, the best turn of the runs in job.turn
}

// fit finds V0 and A by least squares, weighted by the readings' own errors, and
// once more with the error of placing that A makes visible.
func (j *job) fit() misfit {
	var m misfit
	var square float64 // of the fixed and the turned part together
	var cross complex128
	for s := range j.v[0] {
		f := j.sensor(s, nil)
		if j.slip > 0 && f != nil {
			f = j.sensor(s, f.influence())
		}
		if f == nil {
			continue
		}
		m.dof += 2 * float64(len(f.fixed)-len(f.basis))
		m.score += f.logs
		square += f.dot(f.fixed, f.fixed) + f.dot(f.turned, f.turned)
		cross += f.inner(f.fixed, f.turned)
	}
	// chi2(phi) = square + 2 Re(cross exp(-i phi)), a sine: its least value and its
	// average over the circle are known in closed form.
	swing := 2 * cmplx.Abs(cross)
	m.chi2 = math.Max(0, square-swing)
	m.turn = cmplx.Phase(-cross)
	m.score += m.chi2 - 2*logI0(swing/2)
	return m
}

// logI0 is ln(exp(-x) I0(x)), I0 the modified Bessel function: the polynomial
// fits of Abramowitz and Stegun, Handbook of Mathematical Functions, 9.8.1 and
// 9.8.2 (relative error below 2e-7; coefficients from memory, checked against an
// integral in the tests).
func logI0(x float64) float64 {
	if x < 3.75 {
		t := x / 3.75
		t *= t
		return math.Log(1+t*(3.5156229+t*(3.0899424+t*(1.2067492+t*(0.2659732+t*(0.0360768+t*0.0045813)))))) - x
	}
	t := 3.75 / x
	return math.Log((0.39894228 + t*(0.01328592+t*(0.00225319+t*(-0.00157565+t*(0.00916281+
		t*(-0.02057706+t*(0.02635537+t*(-0.01647633+t*0.00392377)))))))) / math.Sqrt(x))
}

// column is the fit of one sensor: its weighted readings and an orthonormal
// basis of what the model can explain.
type column struct {
	fixed, turned []complex128   // weighted readings, of the runs not turned and of those turned
	basis         [][]complex128 // of the weighted model columns
	model         [][]complex128 // the columns themselves, weighted
	planes        int            // the last of them
	logs          float64        // sum of 2 ln(variance)
}

// sensor weights the readings of sensor s; a is its influence, where known, for
// the error of placing. It returns nil for a sensor without readings.
func (j *job) sensor(s int, a []complex128) *column {
	states := 0
	for _, k := range j.state {
		states = max(states, k+1)
	}
	f := &column{planes: len(j.w[0])}
	f.model = make([][]complex128, states+f.planes)
	for r := range j.v {
		variance := j.noise[r][s]
		if !(variance > 0) {
			continue
		}
		for p, x := range a {
			d := cmplx.Abs(x * j.w[r][p])
			variance += j.slip * d * d
		}
		f.logs += 2 * math.Log(variance)
		g := complex(1/math.Sqrt(variance), 0)
		fixed, turned := g*j.v[r][s], complex128(0)
		if j.turn != nil && j.turn[r] {
			fixed, turned = 0, fixed
		}
		f.fixed, f.turned = append(f.fixed, fixed), append(f.turned, turned)
		for k := range states {
			var one complex128
			if j.state[r] == k {
				one = g
			}
			f.model[k] = append(f.model[k], one)
		}
		for p := range f.planes {
			f.model[states+p] = append(f.model[states+p], g*j.w[r][p])
		}
	}
	if len(f.fixed) == 0 {
		return nil
	}
	for _, c := range f.model {
		f.extend(c)
	}
	return f
}

// extend adds a column to the basis unless the basis explains it already.
func (f *column) extend(c []complex128) {
	before := f.length(c)
	v := f.left(f.left(c)) // twice, so that rounding leaves no trace of the basis
	after := f.length(v)
	if !(after > 1e-7*before) {
		return
	}
	for i := range v {
		v[i] /= complex(after, 0)
	}
	f.basis = append(f.basis, v)
}

// left is the part of a vector that the basis does not explain.
func (f *column) left(c []complex128) []complex128 {
	v := append([]complex128(nil), c...)
	for _, b := range f.basis {
		var p complex128
		for i := range v {
			p += cmplx.Conj(b[i]) * v[i]
		}
		for i := range v {
			v[i] -= p * b[i]
		}
	}
	return v
}

func (f *column) length(c []complex128) (n float64) {
	for _, x := range c {
		n = math.Hypot(n, cmplx.Abs(x))
	}
	return n
}

// inner is x^H M y, M taking off what the basis explains.
func (f *column) inner(x, y []complex128) (sum complex128) {
	r := f.left(y)
	for i := range x {
		sum += cmplx.Conj(x[i]) * r[i]
	}
	return sum
}

func (f *column) dot(x, y []complex128) float64 { return real(f.inner(x, y)) }

// influence is the last columns' coefficients: each from what is left of it
// after all the others. A plane that the others explain counts as zero.
func (f *column) influence() []complex128 {
	y := make([]complex128, len(f.fixed))
	for i := range y {
		y[i] = f.fixed[i] + f.turned[i]
	}
	out := make([]complex128, f.planes)
	for p := range out {
		at := len(f.model) - f.planes + p
		rest := &column{}
		for k, c := range f.model {
			if k != at {
				rest.extend(c)
			}
		}
		own := rest.left(f.model[at])
		if n := rest.length(own); n > 1e-7*rest.length(f.model[at]) {
			for i := range own {
				out[p] += cmplx.Conj(own[i]) * y[i] / complex(n*n, 0)
			}
		}
	}
	return out
}
