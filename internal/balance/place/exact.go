package place

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// spot is a place that can take a weight now.
type spot struct {
	at     int        // index into the plane's positions
	u      complex128 // change per kg put there, kg at the plane's radius
	limit  float64    // kg it can still carry; +Inf = not limited
	number int
}

// spots are the allowed places with what they can still carry.
func spots(p rotor.Plane, o Options) []spot {
	var out []spot
	for i, q := range p.Positions {
		if q.Forbidden {
			continue
		}
		s := spot{at: i, u: cmplx.Rect(lever(p, q), q.Angle), limit: capAt(p, radiusAt(p, q), o.Speed), number: q.Number}
		for _, f := range o.Existing {
			if f.Position == q.Number {
				s.limit -= f.Mass
				if o.Stack == 1 {
					s.limit = 0
				}
			}
		}
		if s.limit > 0 {
			out = append(out, s)
		}
	}
	slices.SortStableFunc(out, func(a, b spot) int {
		return cmp.Or(cmp.Compare(wrap2pi(cmplx.Phase(a.u)), wrap2pi(cmplx.Phase(b.u))), -cmp.Compare(cmplx.Abs(a.u), cmplx.Abs(b.u)))
	})
	return out
}

// splitOne is one weight of any mass at any angle.
func splitOne(out *Placement, p rotor.Plane, o Options) {
	m := cmplx.Abs(out.Target)
	if limit := capAt(p, p.Radius, o.Speed); m > limit*(1+1e-12) {
		out.note("over-cap", "The correction of %s is %s, but one fastener may carry %s only: %s is the most that may be fitted here. Use a larger radius, a second plane, or a fastener made for it.",
			name(p), grams(m), grams(limit), grams(limit))
		m = limit
	}
	if m > 0 {
		out.Placed = []Placed{{Angle: cmplx.Phase(out.Target), Radius: p.Radius, Mass: m, Pieces: []Piece{{Mass: m}}}}
	}
	out.Weights = len(out.Placed)
	out.finish(cmplx.Rect(m, cmplx.Phase(out.Target)), o)
}

// splitAny meets the target with masses cut to size: on one place where the
// target points at it, else on the two allowed places beside it, by the sine
// rule m_a = m sin(b-d)/sin(b-a), m_b = m sin(d-a)/sin(b-a). Where a cap
// forbids that, the least total mass over all places is found exactly.
func splitAny(out *Placement, p rotor.Plane, o Options) {
	ss := spots(p, o)
	masses := neighbours(ss, out.Target)
	for i, m := range masses {
		if m > ss[i].limit*(1+1e-12) {
			out.note("spread-by-cap", "The two places beside the correction of %s would carry more than their cap: the weights are spread over more places.", name(p))
			masses = spread(ss, out.Target)
			break
		}
	}
	var got complex128
	for i, m := range masses {
		if m > 0 {
			q := p.Positions[ss[i].at]
			got += complex(m, 0) * ss[i].u
			out.Placed = append(out.Placed, Placed{Number: q.Number, Angle: q.Angle, Radius: radiusAt(p, q), Mass: m, Pieces: []Piece{{Mass: m}}})
		}
	}
	out.Weights = len(out.Placed)
	out.finish(got, o)
	if !out.Reached {
		out.note("unreachable", "The correction of %s cannot be reached from the allowed places within their caps: the nearest that can leaves %s. Free more places, use a larger radius or a stronger fastener, or correct in another plane.",
			name(p), grams(cmplx.Abs(out.Residual)))
	}
}

// neighbours puts any masses on the places beside the target. Where the gap
// between them is 180 degrees or more, the nearer place takes what it can: the
// nearest reachable point lies on its ray.
func neighbours(ss []spot, target complex128) []float64 {
	m := make([]float64, len(ss))
	t := cmplx.Abs(target)
	if t == 0 || len(ss) == 0 {
		return m
	}
	for i := range ss {
		if v := target / ss[i].u; real(v) > 0 && math.Abs(imag(v)) <= 1e-12*real(v) {
			m[i] = real(v)
			return m
		}
	}
	// The last place at or before the target's angle and the first one after it.
	d := wrap2pi(cmplx.Phase(target))
	after := 0
	for after < len(ss) && wrap2pi(cmplx.Phase(ss[after].u)) <= d {
		after++
	}
	before := (after - 1 + len(ss)) % len(ss)
	for before > 0 && cmplx.Phase(ss[before-1].u/ss[before].u) == 0 {
		before-- // the same angle at a greater radius
	}
	after %= len(ss)
	a, b := ss[before].u, ss[after].u
	if det := imag(cmplx.Conj(a) * b); det > 1e-12*cmplx.Abs(a)*cmplx.Abs(b) {
		m[before] = imag(cmplx.Conj(target)*b) / det
		m[after] = imag(cmplx.Conj(a)*target) / det
		return m
	}
	i := before
	if off(a, target) < off(b, target) {
		i = after
	}
	if x := real(target / ss[i].u); x > 0 {
		m[i] = x
	}
	return m
}

// off is how well u points along t: the cosine of the angle between them.
func off(u, t complex128) float64 { return -real(cmplx.Conj(u)*t) / cmplx.Abs(u) }

// spread finds the least total mass that makes the target with each place
// within its limit. The optimum of this linear programme has at most two places
// that are neither empty nor full; they fix the prices lambda (change is worth
// Re(conj(lambda) u) a kg), and every other place is full where its price
// exceeds 1 and empty where it does not. All pairs are tried, so the answer is
// exact; if none fits, the nearest point of the reachable polygon is returned.
func spread(ss []spot, target complex128) []float64 {
	var best []float64
	least := math.Inf(1)
	for i := range ss {
		for j := i + 1; j < len(ss); j++ {
			det := imag(cmplx.Conj(ss[i].u) * ss[j].u)
			if math.Abs(det) < 1e-9 {
				continue
			}
			// Re(conj(l) u_i) = Re(conj(l) u_j) = 1
			lambda := (ss[i].u - ss[j].u) * complex(0, 1/det)
			m, rest, total := make([]float64, len(ss)), target, 0.0
			for k := range ss {
				if k != i && k != j && real(cmplx.Conj(lambda)*ss[k].u) > 1+1e-12 {
					m[k] = ss[k].limit
					rest -= complex(m[k], 0) * ss[k].u
					total += m[k]
				}
			}
			m[i] = imag(cmplx.Conj(rest)*ss[j].u) / det
			m[j] = imag(cmplx.Conj(ss[i].u)*rest) / det
			if total += m[i] + m[j]; !(total < least) {
				continue
			}
			if within(&m[i], ss[i].limit) && within(&m[j], ss[j].limit) {
				best, least = m, total
			}
		}
	}
	if best == nil {
		best = nearestInside(ss, target)
	}
	return best
}

// within clears rounding dust and tells whether 0 <= m <= limit.
func within(m *float64, limit float64) bool {
	if math.Abs(*m) < 1e-12*limit {
		*m = 0
	}
	return *m >= 0 && *m <= limit*(1+1e-12)
}

// nearestInside returns the masses of the point nearest to target of the polygon
// that the places can reach: each of its edges is one place going from empty to
// full while every other place is full or empty by its side of the edge.
func nearestInside(ss []spot, target complex128) []float64 {
	best, least := make([]float64, len(ss)), cmplx.Abs(target)
	for i := range ss {
		for _, side := range []float64{1, -1} {
			m, rest := make([]float64, len(ss)), target
			for k := range ss {
				if k != i && side*imag(cmplx.Conj(ss[i].u)*ss[k].u) > 1e-12 {
					m[k] = ss[k].limit
					rest -= complex(m[k], 0) * ss[k].u
				}
			}
			m[i] = math.Min(math.Max(real(rest/ss[i].u), 0), ss[i].limit)
			if d := cmplx.Abs(rest - complex(m[i], 0)*ss[i].u); d < least {
				best, least = m, d
			}
		}
	}
	return best
}

// finish fills the residual and the trade-off of an answer that is exact.
func (p *Placement) finish(got complex128, o Options) {
	p.Residual = got - p.Target
	r := cmplx.Abs(p.Residual)
	if r <= 1e-12*cmplx.Abs(p.Target) {
		p.Residual, r = 0, 0
	}
	p.Reached = r <= o.Accept
	p.Tradeoff = append(p.Tradeoff, Step{Weights: p.Weights, Residual: r, Mass: p.Mass(), Bound: r})
}

// wrap2pi brings an angle into 0 <= a < 2 pi.
func wrap2pi(a float64) float64 {
	if a = math.Mod(a, 2*math.Pi); a < 0 {
		a += 2 * math.Pi
	}
	if a >= 2*math.Pi {
		return 0
	}
	return a
}
