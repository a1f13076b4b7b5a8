package poweroff

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/mat"
)

// window is a piece of the recording at a lower rate, with the rotor's angle.
type window struct {
	start, rate float64
	x           [][]float64 // [channel][sample]
	phi         []float64   // rotor angle
	good        []bool      // samples that no hole touches; nil = all
}

// cut takes from and to (s of board time) out of the recording, thinned out by a
// windowed sinc so that maxHz passes.
func (t *Test) cut(c *course, from, to, maxHz float64) *window {
	rate := t.setup.Rate
	by := max(1, int(rate/(2.56*maxHz)))
	reach := 4 * by
	kernel := make([]float64, 2*reach+1)
	sum := 0.0
	for i := range kernel {
		x := float64(i-reach) / float64(by) * 0.9
		kernel[i] = 0.5 + 0.5*math.Cos(math.Pi*float64(i-reach)/float64(reach+1))
		if x != 0 {
			kernel[i] *= math.Sin(math.Pi*x) / (math.Pi * x)
		}
		sum += kernel[i]
	}
	if by == 1 {
		kernel, reach, sum = []float64{1}, 0, 1
	}
	first := max(reach, int(math.Ceil((from-t.start)*rate)))
	n := (min(len(t.data[0])-reach, int((to-t.start)*rate)) - first) / by
	w := &window{start: t.start + float64(first)/rate, rate: rate / float64(by)}
	if n < 16 {
		return w
	}
	for ch := range t.data {
		y := make([]float64, n)
		for i := range y {
			v := 0.0
			for k, g := range kernel {
				v += g * float64(t.data[ch][first+i*by+k-reach])
			}
			y[i] = v / sum
		}
		w.x = append(w.x, y)
	}
	w.phi = c.angles(w.start, 1/w.rate, n)
	w.cutOut(t.holes, float64(reach+1)/rate)
	return w
}

// cutOut takes the samples that holes touch out of every fit.
func (w *window) cutOut(holes []hole, reach float64) {
	for _, h := range holes {
		from, to := int(math.Floor((h.from-reach-w.start)*w.rate)), int(math.Ceil((h.to+reach-w.start)*w.rate))
		for i := max(0, from); i <= min(to, w.len()-1); i++ {
			if w.good == nil {
				w.good = make([]bool, w.len())
				for k := range w.good {
					w.good[k] = true
				}
			}
			w.good[i] = false
			for c := range w.x {
				w.x[c][i] = 0
			}
		}
	}
}

// mask takes what no sample bears witness to out of a column.
func (w *window) mask(column []float64) {
	for i, ok := range w.good {
		if !ok {
			column[i] = 0
		}
	}
}

func (w *window) len() int         { return len(w.phi) }
func (w *window) seconds() float64 { return float64(w.len()) / w.rate }

// tone is something that is fitted: an order of the rotor or a frequency of its
// own, its amplitude a polynomial of degree bends over the window.
type tone struct {
	order float64 // 0 = a frequency
	hz    float64
	bends int
}

// fitted is a least-squares fit of tones and a straight line in all channels.
type fitted struct {
	w     *window
	tones []tone
	at    []int       // first column of each tone
	coef  [][]float64 // [channel][column]
	widen []float64   // per tone: variance over that of the tone alone
	rest  [][]float64 // [channel][sample]
}

// fit solves for all tones together. A small ridge keeps tones that cannot be
// told apart from blowing each other up; widen tells of them.
func (w *window) fit(tones []tone) *fitted {
	f := &fitted{w: w, tones: tones}
	n := w.len()
	cols := [][]float64{make([]float64, n), make([]float64, n)}
	for i := range n {
		cols[0][i], cols[1][i] = 1, 2*float64(i)/float64(n)-1
	}
	for _, t := range tones {
		f.at = append(f.at, len(cols))
		for b := 0; b <= t.bends; b++ {
			co, si := make([]float64, n), make([]float64, n)
			for i := range n {
				s, c := math.Sincos(w.angle(t, i))
				g := legendre(b, cols[1][i])
				co[i], si[i] = c*g, -s*g
			}
			cols = append(cols, co, si)
		}
	}
	if w.good != nil {
		for _, c := range cols {
			w.mask(c)
		}
	}
	m := len(cols)
	g := mat.NewSymDense(m, nil)
	for a := range m {
		for b := a; b < m; b++ {
			v := dot(cols[a], cols[b])
			if a == b {
				v += 1e-6 * float64(n)
			}
			g.SetSym(a, b, v)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(g) {
		return nil
	}
	var inv mat.SymDense
	if chol.InverseTo(&inv) != nil {
		return nil
	}
	for k := range tones {
		a := f.at[k]
		f.widen = append(f.widen, (inv.At(a, a)+inv.At(a+1, a+1))*float64(n)/4)
	}
	for _, x := range w.x {
		rhs := mat.NewVecDense(m, nil)
		for a := range m {
			rhs.SetVec(a, dot(cols[a], x))
		}
		sol := mat.NewVecDense(m, nil)
		sol.MulVec(&inv, rhs)
		rest := slices.Clone(x)
		for a := range m {
			v := sol.AtVec(a)
			for i, c := range cols[a] {
				rest[i] -= v * c
			}
		}
		f.coef = append(f.coef, sol.RawVector().Data)
		f.rest = append(f.rest, rest)
	}
	return f
}

func legendre(b int, u float64) float64 {
	switch b {
	case 0:
		return 1
	case 1:
		return u
	}
	return (3*u*u - 1) / 2
}

func (w *window) angle(t tone, i int) float64 {
	if t.order > 0 {
		return t.order * w.phi[i]
	}
	return 2 * math.Pi * t.hz * float64(i) / w.rate
}

func dot(a, b []float64) (s float64) {
	for i, v := range a {
		s += v * b[i]
	}
	return s
}

// phasor is tone k of a channel in the middle of the window.
func (f *fitted) phasor(channel, k int) complex128 {
	a := f.at[k]
	return complex(f.coef[channel][a], f.coef[channel][a+1])
}

// size is the rms over the window of tone k's amplitude.
func (f *fitted) size(channel, k int) float64 {
	sum := 0.0
	for b := 0; b <= f.tones[k].bends; b++ {
		a := f.at[k] + 2*b
		sum += (f.coef[channel][a]*f.coef[channel][a] + f.coef[channel][a+1]*f.coef[channel][a+1]) / float64(2*b+1)
	}
	return math.Sqrt(sum)
}

// atStart is the amplitude of tone k where the window begins.
func (f *fitted) atStart(channel, k int) float64 {
	var v complex128
	for b := 0; b <= f.tones[k].bends; b++ {
		a := f.at[k] + 2*b
		v += complex(f.coef[channel][a], f.coef[channel][a+1]) * complex(legendre(b, -1), 0)
	}
	return cmplx.Abs(v)
}

// noise is the rms amplitude that the rest of the signal would give to tone k:
// its transform at places around the tone, on the tone's own kind of angle.
func (f *fitted) noise(channel, k int) float64 {
	t := f.tones[k]
	const places = 10
	sum, n := 0.0, 0.0
	for p := -places; p <= places; p++ {
		off := (float64(p) + 0.5) * 1.3 / f.w.seconds()
		var re, im float64
		for i, x := range f.rest[channel] {
			s, c := math.Sincos(f.w.angle(t, i) + 2*math.Pi*off*float64(i)/f.w.rate)
			re += x * c
			im += x * s
		}
		sum += (re*re + im*im) * 4 / float64(f.w.len()) / float64(f.w.len())
		n++
	}
	return math.Sqrt(sum/n) * math.Sqrt(math.Max(1, f.widen[k]))
}

// line is a peak of the rest's spectrum.
type line struct {
	hz    float64
	ratio float64 // over the floor around it, largest over the channels
}

const (
	standsOut  = 5.5 // times the median around it
	floorReach = 40  // lines to each side
)

// lines finds tones in the rest that no tone explains yet.
func (f *fitted) lines(from, maxHz float64) []line {
	n := f.w.len()
	size := 1
	for size < 2*n {
		size *= 2
	}
	fft := fourier.NewFFT(size)
	half := size / 2
	step := f.w.rate / float64(size)
	over := make([]float64, half)
	for _, x := range f.rest {
		buf := make([]float64, size)
		for i, v := range x {
			buf[i] = v * (0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n)))
		}
		c := fft.Coefficients(nil, buf)
		mag := make([]float64, half)
		for k := range mag {
			mag[k] = cmplx.Abs(c[k])
		}
		pad := size / n // lines of the padded transform in one of the window
		for k := int(from / step); k < min(half, int(maxHz/step)); k++ {
			if k < 2 || !(mag[k] >= mag[k-1] && mag[k] > mag[k+1]) {
				continue
			}
			var around []float64
			for d := 3 * pad; d < floorReach*pad; d += pad {
				if k-d > 1 {
					around = append(around, mag[k-d])
				}
				if k+d < half {
					around = append(around, mag[k+d])
				}
			}
			slices.Sort(around)
			if r := mag[k] / around[len(around)/2]; r > over[k] {
				over[k] = r
			}
		}
	}
	var out []line
	for k, r := range over {
		if r > standsOut {
			out = append(out, line{float64(k) * step, r})
		}
	}
	slices.SortFunc(out, func(a, b line) int { return int(math.Copysign(1, b.ratio-a.ratio)) })
	return out
}
