package phase

import (
	"math"
	"math/cmplx"
)

// anchor is a mark whose passing and angle are known.
type anchor struct {
	pos   float64 // sample position in the extractor's buffer
	angle float64 // rad from the turn's start, 0 for the first and 2 pi for the last
}

// part is one sector of a turn laid over the samples: between two anchors the
// angle is linear, and turned once per sector towards the quadratic course of
// an accelerating rotor.
type part struct {
	first, count int     // samples
	seg          int     // index of its steppers
	theta        float64 // angle of the first sample, rad
	delta        float64 // rad a sample
}

// border is a sample at an end of the turn that counts by a share.
type border struct {
	sample, sector int
	weight         float64
	angle          complex128   // exp(-i theta)
	phasor         []complex128 // exp(-i orders[k] theta)
}

// lay is a turn laid over the samples, shared by all channels.
type lay struct {
	parts   []part
	borders [4]border
	step    []stepper    // [seg*len(orders)+k]
	half    []complex128 // [seg] exp(i delta/2)
	first   []complex128 // [sector] exp(-i theta) at the sector's first sample
	start   []complex128 // [sector*len(orders)+k] rotator where the kernel begins
	tail    []complex128 // [seg*len(orders)+k] wide kernel: rotator where what is left over begins
	groups  []int        // [sector] whole groups in it
	out     [maxSectors]product
	how     reach
	orders  int
	even    dirichlet
}

// over lays the angle over the samples between the anchors and fills t's
// shared sums. accel is in rad per sample squared; rate in samples per second.
func (l *lay) over(t *Turn, a []anchor, accel, rate float64) {
	sh := t.shape
	n := a[len(a)-1].pos - a[0].pos
	t.samples, t.fitted = 0, sh.fitted(n)
	kmax := sh.products(n)
	l.cut(a, accel, n)
	t.sectors = len(l.parts)
	l.rotators(sh.orders[:t.fitted])
	l.ends(a, sh.orders[:t.fitted])
	for s := range l.parts {
		p := &l.parts[s]
		mid := float64(p.first) + float64(p.count-1)/2
		t.at[s] = (mid - a[0].pos) / rate
		t.mid[s] = p.theta + p.delta*float64(p.count-1)/2
		l.even.set(p.count, p.delta, l.half[p.seg], kmax)
		l.even.geometric(l.first[s], t.geo[s*(sh.kmax+1):], t.lin[s*(sh.kmax+1):], rate)
	}
	for i := range l.borders {
		b := &l.borders[i]
		at := (float64(b.sample)-a[0].pos)/rate - t.at[b.sector]
		z, one := complex(b.weight, 0), conj(b.angle)
		for k := range kmax + 1 {
			t.geo[b.sector*(sh.kmax+1)+k] += z
			t.lin[b.sector*(sh.kmax+1)+k] += z * complex(at, 0)
			z *= one
		}
	}
	for s := range l.parts {
		t.samples += real(t.geo[s*(sh.kmax+1)])
	}
}

// cut divides the whole samples of the turn into sectors, at most maxSectors,
// each within one segment between anchors and in whole groups but for the
// segment's last.
func (l *lay) cut(a []anchor, accel, n float64) {
	l.parts, l.groups = l.parts[:0], l.groups[:0]
	segments := len(a) - 1
	l.how = reachFor(n / float64(segments))
	unit := l.how.unit()
	for g := range segments {
		from, to := int(math.Floor(a[g].pos))+1, int(math.Floor(a[g+1].pos))+1
		delta := (a[g+1].angle - a[g].angle) / (a[g+1].pos - a[g].pos)
		groups := (to - from) / unit
		sectors := max(1, min(maxSectors/segments, groups))
		for s := range sectors {
			n := groups / sectors
			if s >= sectors-groups%sectors {
				n++
			}
			p := part{first: from, count: n * unit, seg: g, delta: delta}
			if s == sectors-1 {
				p.count = to - from
			}
			from += p.count
			p.theta = a[g].angle + delta*(float64(p.first)-a[g].pos) +
				bend(accel, float64(p.first)-a[g].pos, float64(p.count), a[g+1].pos-a[g].pos)
			l.parts, l.groups = append(l.parts, p), append(l.groups, n)
		}
	}
}

// bend is the mean over count samples from sample x on of the deviation of a
// quadratic angle from the straight line between two anchors span apart.
func bend(accel, x, count, span float64) float64 {
	mid := x + (count-1)/2
	return -accel / 2 * (mid*(span-mid) - count*count/12)
}

// ends weighs the samples on both sides of the turn's start and end by the
// share of the straight line between them that lies in the turn. What a
// harmonic that is not fitted leaks through the ends then falls with the square
// of the angle between samples.
func (l *lay) ends(a []anchor, orders []int) {
	last := len(l.parts) - 1
	for i, pos := range [2]float64{a[0].pos, a[len(a)-1].pos} {
		j := int(math.Floor(pos))
		f := pos - float64(j)
		before, after, sector := (1-f)*(1-f)/2, -f*f/2, 0
		if i == 1 {
			before, after, sector = -before, -after, last
		}
		p, step := &l.parts[sector], conj(l.half[l.parts[sector].seg])
		step *= step
		// The sample after the end follows the sector's last, or is its first.
		angle := l.first[sector]
		if i == 1 {
			sin, cos := math.Sincos(p.delta * float64(p.count))
			angle *= complex(cos, -sin)
		}
		for k, w := range [2]float64{before, after} {
			b := &l.borders[2*i+k]
			b.sample, b.sector, b.weight, b.angle = j+k, sector, w, angle
			if k == 0 {
				b.angle *= conj(step)
			}
			b.phasor = powers(b.phasor[:0], b.angle, orders)
		}
	}
}

func (l *lay) rotators(orders []int) {
	l.step, l.start, l.first, l.half, l.tail = l.step[:0], l.start[:0], l.first[:0], l.half[:0], l.tail[:0]
	l.orders = len(orders)
	for s := range l.parts {
		p := &l.parts[s]
		if s == 0 || p.seg != l.parts[s-1].seg {
			sin, cos := math.Sincos(p.delta / 2)
			l.half = append(l.half, complex(cos, sin))
			for _, n := range orders {
				if len(l.step) < cap(l.step) {
					l.step = l.step[:len(l.step)+1] // set fills in what it needs
				} else {
					l.step = append(l.step, stepper{})
				}
				l.step[len(l.step)-1].set(power(complex(cos, sin), n), l.how)
			}
		}
		sin, cos := math.Sincos(p.theta)
		l.first = append(l.first, complex(cos, -sin))
		l.start = powers(l.start, complex(cos, -sin), orders)
		if l.how != inWides {
			continue
		}
		last := s == len(l.parts)-1 || l.parts[s+1].seg != p.seg
		for k := range orders {
			w, z := &l.step[p.seg*len(orders)+k].wide, &l.start[s*len(orders)+k]
			*z *= w.middle
			if last {
				l.tail = append(l.tail, *z*power(w.q, l.groups[s]))
			}
		}
	}
}

// span is where the turn's samples begin, and how many there are: those of the
// sectors and one more on either side.
func (l *lay) span() (origin, count int) {
	origin = l.borders[0].sample
	return origin, l.borders[len(l.borders)-1].sample + 1 - origin
}

// sum sums the samples of the turn, y as span says, for the k-th order: dc is
// sum x and val sum x exp(-i n theta), per sector. peak is the largest |x|.
func (l *lay) sum(y []float32, k int, dc []float64, val []complex128) (peak float32) {
	y = y[1 : len(y)-1]
	if l.how == inWides {
		return l.sumWide(y, k, dc, val)
	}
	for s := range l.parts {
		p := &l.parts[s]
		d, re, im := l.step[p.seg*l.orders+k].groups(y[:p.count], l.start[s*l.orders+k], l.how)
		dc[s], val[s] = d, complex(re, im)
		if k == 0 {
			peak = max(peak, largest(y[:p.count]))
		}
		y = y[p.count:]
	}
	return peak
}

// sumWide is sum with the wide kernel, which walks over all sectors between two
// anchors at once.
func (l *lay) sumWide(y []float32, k int, dc []float64, val []complex128) (peak float32) {
	for s := 0; s < len(l.parts); {
		first, seg := s, l.parts[s].seg
		for s < len(l.parts) && l.parts[s].seg == seg {
			s++
		}
		n := l.parts[s-1].first + l.parts[s-1].count - l.parts[first].first
		i := seg*l.orders + k
		left, top := l.step[i].wide.sectors(y[:n], l.groups[first:s], l.out[:])
		peak = max(peak, top, left.peak)
		for j, o := range l.out[:s-first] {
			dc[first+j], val[first+j] = o.dc, complex(o.re, o.im)*l.start[(first+j)*l.orders+k]
		}
		dc[s-1] += left.dc
		val[s-1] += complex(left.re, left.im) * l.tail[i]
		y = y[n:]
	}
	return peak
}

// largest is the largest |x|.
func largest(x []float32) (peak float32) {
	for _, v := range x {
		if v < 0 {
			v = -v
		}
		if v > peak {
			peak = v
		}
	}
	return peak
}

// powers appends z to the n for every n of orders.
func powers(dst []complex128, z complex128, orders []int) []complex128 {
	for _, n := range orders {
		dst = append(dst, power(z, n))
	}
	return dst
}

// power is z to the n, n >= 1.
func power(z complex128, n int) complex128 {
	if n == 1 {
		return z
	}
	r := complex128(1)
	for ; n > 0; n >>= 1 {
		if n&1 == 1 {
			r *= z
		}
		z *= z
	}
	return r
}

// dirichlet are sin(m x/2)/sin(x/2) and its derivative for x = k delta: what m
// evenly spaced samples make of exp(i k theta), with and without their distance
// from the middle.
type dirichlet struct {
	m           int
	delta       float64
	value, lean []float64  // [k]
	middle      complex128 // exp(i delta (m-1)/2)
}

// half is exp(i delta/2).
func (d *dirichlet) set(m int, delta float64, half complex128, kmax int) {
	if d.m == m && d.delta == delta && len(d.value) == kmax+1 {
		return
	}
	d.m, d.delta = m, delta
	d.value, d.lean = resize(d.value, kmax+1), resize(d.lean, kmax+1)
	n := float64(m)
	full := cmplx.Rect(1, delta/2*n)
	zh, zf := complex128(1), complex128(1)
	d.value[0] = n
	d.middle = full * conj(half)
	for k := 1; k <= kmax; k++ {
		zh, zf = zh*half, zf*full
		sh, ch, sf, cf := imag(zh), real(zh), imag(zf), real(zf)
		if math.Abs(sh) < 1e-9 { // an alias of zero; no order that is fitted comes here
			continue
		}
		d.value[k] = sf / sh
		d.lean[k] = -(n*cf*sh - sf*ch) / (2 * sh * sh)
	}
}

// geometric sets sum exp(i k theta) and the same weighted by the sample's time
// from the middle, for every k; first is exp(-i theta) at the first sample.
func (d *dirichlet) geometric(first complex128, geo, lin []complex128, rate float64) {
	mid := conj(first) * d.middle
	zm := complex128(1)
	for k := range d.value {
		a, b := d.value[k], d.lean[k]/rate
		geo[k] = complex(real(zm)*a, imag(zm)*a)
		lin[k] = complex(-imag(zm)*b, real(zm)*b)
		zm *= mid
	}
}
