package phase

import (
	"math"
	"math/cmplx"
)

// tone is one complex exponential of the fit: an order, or a neighbour riding
// on an order with its own slowly turning phase.
type tone struct {
	k     int // index of the order in shape.orders
	order int
	freq  float64 // Hz, of a neighbour; 0 = the order itself
}

// fit is the least-squares reduction of turns: x = a + b p + sum Re(V_i
// exp(i theta_i)), weighted per sector, over the sums that the turns carry. The
// normal matrix is shared by all channels.
type fit struct {
	method Method
	near   []Tone
	tones  []tone
	orders int // how many tones are orders; they come first
	sh     *shape

	t0, half float64      // centre and half span of the reading, s
	weight   []float64    // [turn*maxSectors+sector]
	spin     []complex128 // [(neighbour*turns+turn)*maxSectors+sector] phase of a neighbour against its order
	gram     matrix
	sol      []float64 // [channel][param]
	params   int
	psi      []float64 // per channel: mean delay angle at order 1
	delayed  bool
	rhs      []float64
	unit     []float64
	resid    []complex128
	inflated []float64 // per order tone: variance that the neighbours add, as a factor

	// What the stated error is taken from; see view.
	seen    int       // turns
	gain    float64   // variance of the reading over that of one turn, for white noise
	speed   []float64 // of every turn seen, relative to the reading's, less 1
	ahead   float64   // weighted mean of the same over the turns of the reading
	slowest []float64 // power of the slowest cosines
	score   []complex128
	slow    slow
}

// has reports whether order index k was fitted.
func (f *fit) has(k int) bool { return f.tone(k) >= 0 }

func (f *fit) tone(k int) int {
	for i := range f.tones[:f.orders] {
		if f.tones[i].k == k {
			return i
		}
	}
	return -1
}

// value is the fitted phasor of order index k on a channel, delays corrected.
func (f *fit) value(c, k int) complex128 {
	i := f.tone(k)
	s := f.sol[c*f.params:]
	v := complex(s[2+2*i], s[3+2*i])
	return v * cmplx.Rect(1, f.psi[c]*float64(f.tones[i].order))
}

// solve fits the turns of a with f.method.
func (f *fit) solve(a *Average) {
	f.sh = a.at(0).shape
	f.pickTones(a)
	f.weigh(a)
	f.spins(a)
	f.params = 2 + 2*len(f.tones)
	f.normal(a)
	f.inflate(a)
	f.delays(a)
	channels := len(f.sh.setup.Channels)
	f.sol = resize(f.sol, channels*f.params)
	for c := range channels {
		f.project(a, c)
		f.gram.solve(f.rhs, f.sol[c*f.params:][:f.params])
	}
}

func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	s = s[:n]
	clear(s)
	return s
}

// pickTones chooses the orders that every turn can tell, and the neighbours.
func (f *fit) pickTones(a *Average) {
	f.tones = f.tones[:0]
	fitted, samples := len(f.sh.orders), math.Inf(1)
	for i := range a.n {
		fitted = min(fitted, a.at(i).fitted)
		samples = math.Min(samples, a.at(i).samples)
	}
	for k, n := range f.sh.orders[:fitted] {
		if usable(n, samples) {
			f.tones = append(f.tones, tone{k: k, order: n})
		}
	}
	f.orders = len(f.tones)
	for _, t := range f.near {
		f.tones = append(f.tones, f.neighbour(a, t))
	}
}

// neighbour hangs a tone on the nearest fitted order.
func (f *fit) neighbour(a *Average, t Tone) tone {
	hz := a.meanHz()
	best := tone{freq: t.Hz}
	away := math.Inf(1)
	for _, o := range f.tones[:f.orders] {
		if d := math.Abs(t.Hz/hz - float64(o.order)); d < away {
			best.k, best.order, away = o.k, o.order, d
		}
	}
	return best
}

func (a *Average) meanHz() float64 {
	s := 0.0
	for i := range a.n {
		s += a.at(i).Seconds
	}
	return float64(a.n) / s
}

// weigh sets the weight of every sector by its time within the reading.
func (f *fit) weigh(a *Average) {
	first, last := a.at(0), a.at(a.n-1)
	span := last.Tick + last.Seconds - first.Tick
	f.half = span / 2
	f.t0 = first.Tick + f.half
	f.weight = resize(f.weight, a.n*maxSectors)
	for i := range a.n {
		t := a.at(i)
		for s := range t.sectors {
			w := 1.0
			if f.method == Taper {
				w = 0.5 + 0.5*math.Cos(math.Pi*(t.Tick+t.at[s]-f.t0)/f.half)
			}
			f.weight[i*maxSectors+s] = w
		}
	}
}

// spins gives every neighbour its phase against the order it rides on, at the
// centre of every sector.
func (f *fit) spins(a *Average) {
	near := f.tones[f.orders:]
	f.spin = resize(f.spin, len(near)*a.n*maxSectors)
	for j, nb := range near {
		for i := range a.n {
			t := a.at(i)
			for s := range t.sectors {
				angle := 2*math.Pi*nb.freq*(t.Tick+t.at[s]-f.t0) - float64(nb.order)*t.mid[s]
				f.spin[(j*a.n+i)*maxSectors+s] = cmplx.Rect(1, angle)
			}
		}
	}
}

// phase is the phase of tone i against its order in a sector.
func (f *fit) phase(i, turns, turn, sector int) complex128 {
	if i < f.orders {
		return 1
	}
	return f.spin[((i-f.orders)*turns+turn)*maxSectors+sector]
}

// normal builds the normal matrix. Rows are what the data are multiplied with,
// columns what the model holds: the row of the trend takes a sector as a point,
// its column takes the slope within the sector, too, so the fit is exact though
// the data keep no moment within a sector.
func (f *fit) normal(a *Average) {
	n := f.params
	f.gram.reset(n)
	stride := f.sh.kmax + 1
	for i := range a.n {
		t := a.at(i)
		for s := range t.sectors {
			w := f.weight[i*maxSectors+s]
			p := (t.Tick + t.at[s] - f.t0) / f.half
			geo, lin := t.geo[s*stride:][:stride], t.lin[s*stride:][:stride]
			d0, l0 := real(geo[0]), real(lin[0])/f.half
			f.gram.add(0, 0, w*d0)
			f.gram.add(0, 1, w*(p*d0+l0))
			f.gram.add(1, 0, w*p*d0)
			f.gram.add(1, 1, w*p*(p*d0+l0))
			for u := range f.tones {
				zu := f.phase(u, a.n, i, s)
				e := zu * geo[f.tones[u].order]
				m := zu * lin[f.tones[u].order] / complex(f.half, 0)
				f.gram.add(0, 2+2*u, w*real(e))
				f.gram.add(0, 3+2*u, -w*imag(e))
				f.gram.add(1, 2+2*u, w*p*real(e))
				f.gram.add(1, 3+2*u, -w*p*imag(e))
				f.gram.add(2+2*u, 0, w*real(e))
				f.gram.add(3+2*u, 0, -w*imag(e))
				f.gram.add(2+2*u, 1, w*(p*real(e)+real(m)))
				f.gram.add(3+2*u, 1, -w*(p*imag(e)+imag(m)))
				for v := 0; v <= u; v++ {
					f.pair(u, v, zu, f.phase(v, a.n, i, s), geo, w)
				}
			}
		}
	}
	f.gram.factor()
}

// pair adds the products of tones u and v.
func (f *fit) pair(u, v int, zu, zv complex128, geo []complex128, w float64) {
	nu, nv := f.tones[u].order, f.tones[v].order
	var diff complex128
	if nu >= nv {
		diff = geo[nu-nv]
	} else {
		diff = conj(geo[nv-nu])
	}
	diff *= zu * conj(zv)
	sum := geo[nu+nv] * zu * zv
	cc := w * (real(diff) + real(sum)) / 2
	ss := w * (real(diff) - real(sum)) / 2
	cs := -w * (imag(sum) - imag(diff)) / 2 // cos u times -sin v
	sc := -w * (imag(sum) + imag(diff)) / 2
	g := &f.gram
	g.add(2+2*u, 2+2*v, cc)
	g.add(3+2*u, 3+2*v, ss)
	g.add(2+2*u, 3+2*v, cs)
	g.add(3+2*u, 2+2*v, sc)
	if u != v {
		g.add(2+2*v, 2+2*u, cc)
		g.add(3+2*v, 3+2*u, ss)
		g.add(3+2*v, 2+2*u, cs)
		g.add(2+2*v, 3+2*u, sc)
	}
}

// inflate finds by what factor neighbours widen the error of every order: the
// diagonal of the inverse normal matrix over that of the order alone.
func (f *fit) inflate(a *Average) {
	f.inflated = resize(f.inflated, f.orders)
	n := 0.0
	for i := range a.n {
		n += a.at(i).samples
	}
	for i := range f.inflated {
		f.inflated[i] = 1
		if len(f.tones) == f.orders {
			continue
		}
		sum := 0.0
		for _, row := range [2]int{2 + 2*i, 3 + 2*i} {
			f.rhs = resize(f.rhs, f.params)
			f.unit = resize(f.unit, f.params)
			f.rhs[row] = 1
			f.gram.solve(f.rhs, f.unit)
			sum += f.unit[row]
		}
		f.inflated[i] = max(1, sum*n/4)
	}
}

// delays finds each channel's mean delay angle.
func (f *fit) delays(a *Average) {
	f.psi = resize(f.psi, len(f.sh.setup.Channels))
	f.delayed = false
	sum, all := 0.0, 0.0
	for i := range a.n {
		w := 0.0
		for s := range a.at(i).sectors {
			w += f.weight[i*maxSectors+s]
		}
		sum += w * a.at(i).Speed
		all += w
	}
	for c := range f.psi {
		f.psi[c] = f.sh.turned(c, sum/all)
		f.delayed = f.delayed || f.sh.delay(c) != 0
	}
}

// project forms the weighted products of one channel's data with the model.
// With a delay, turns at another speed are turned by the difference.
func (f *fit) project(a *Average, c int) {
	f.rhs = resize(f.rhs, f.params)
	orders := len(f.sh.orders)
	for i := range a.n {
		t := a.at(i)
		off := 0.0
		if f.delayed {
			off = f.sh.turned(c, t.Speed) - f.psi[c]
		}
		dc := t.dc[c*maxSectors:][:t.sectors]
		w := f.weight[i*maxSectors:][:t.sectors]
		for s, d := range dc {
			p := (t.Tick + t.at[s] - f.t0) / f.half
			f.rhs[0] += w[s] * d
			f.rhs[1] += w[s] * p * d
		}
		for u := range f.tones {
			val := t.val[(c*orders+f.tones[u].k)*maxSectors:][:t.sectors]
			var z complex128
			if u < f.orders {
				for s, v := range val {
					z += complex(w[s]*real(v), w[s]*imag(v))
				}
			} else {
				for s, v := range val {
					z += complex(w[s], 0) * v * conj(f.phase(u, a.n, i, s))
				}
			}
			if off != 0 {
				z *= cmplx.Rect(1, off*float64(f.tones[u].order))
			}
			f.rhs[2+2*u] += real(z)
			f.rhs[3+2*u] += imag(z)
		}
	}
}
