package balance

import (
	"math"
	"math/cmplx"
)

// matrix is a small dense complex matrix, row major. The problems here have a
// handful of planes and perhaps a dozen sensors, so clarity beats blocking.
type matrix struct {
	rows, cols int
	v          []complex128
}

func newMatrix(rows, cols int) matrix {
	return matrix{rows, cols, make([]complex128, rows*cols)}
}

func (m matrix) at(i, j int) complex128     { return m.v[i*m.cols+j] }
func (m matrix) set(i, j int, x complex128) { m.v[i*m.cols+j] = x }
func (m matrix) row(i int) []complex128     { return m.v[i*m.cols : (i+1)*m.cols] }

func (m matrix) clone() matrix {
	return matrix{m.rows, m.cols, append([]complex128(nil), m.v...)}
}

func (m matrix) mul(b matrix) matrix {
	out := newMatrix(m.rows, b.cols)
	for i := range m.rows {
		for k := range m.cols {
			a := m.at(i, k)
			for j := range b.cols {
				out.v[i*b.cols+j] += a * b.at(k, j)
			}
		}
	}
	return out
}

func (m matrix) mulVec(x []complex128) []complex128 {
	out := make([]complex128, m.rows)
	for i := range out {
		out[i] = dot(m.row(i), x)
	}
	return out
}

// dot is the plain sum of products, without conjugation.
func dot(a, b []complex128) (s complex128) {
	for i, x := range a {
		s += x * b[i]
	}
	return s
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

func norm(x []complex128) float64 {
	s := 0.0
	for _, z := range x {
		s += abs2(z)
	}
	return math.Sqrt(s)
}

// svd is the thin singular value decomposition m = u diag(s) v^H of a matrix
// with at least as many rows as columns; s descends.
type svd struct {
	u, v matrix
	s    []float64
}

// decompose finds it by one-sided Jacobi rotations, which keep small singular
// values to full relative accuracy (Demmel and Veselic 1992, from memory).
func decompose(m matrix) svd {
	u, n := m.clone(), m.cols
	v := newMatrix(n, n)
	for i := range n {
		v.set(i, i, 1)
	}
	for range 60 {
		turned := false
		for p := range n {
			for q := p + 1; q < n; q++ {
				turned = rotate(u, v, p, q) || turned
			}
		}
		if !turned {
			break
		}
	}
	d := svd{u: u, v: v, s: make([]float64, n)}
	for j := range n {
		for i := range u.rows {
			d.s[j] = math.Hypot(d.s[j], cmplx.Abs(u.at(i, j)))
		}
		if d.s[j] > 0 {
			for i := range u.rows {
				u.v[i*n+j] /= complex(d.s[j], 0)
			}
		}
	}
	d.sort()
	return d
}

// rotate makes columns p and q of u orthogonal, and says whether it had to.
func rotate(u, v matrix, p, q int) bool {
	var a, b float64
	var c complex128
	for i := range u.rows {
		x, y := u.at(i, p), u.at(i, q)
		a, b, c = a+abs2(x), b+abs2(y), c+cmplx.Conj(x)*y
	}
	g := cmplx.Abs(c)
	if g <= 1e-15*math.Sqrt(a*b) || g == 0 {
		return false
	}
	zeta := (b - a) / (2 * g)
	t := 1 / (math.Abs(zeta) + math.Sqrt(1+zeta*zeta))
	if zeta < 0 {
		t = -t
	}
	cs := 1 / math.Sqrt(1+t*t)
	sn := cs * t
	ph := c / complex(g, 0) // turns column q so that the pair is real
	for _, m := range []matrix{u, v} {
		for i := range m.rows {
			x, y := m.at(i, p), m.at(i, q)*cmplx.Conj(ph)
			m.set(i, p, complex(cs, 0)*x-complex(sn, 0)*y)
			m.set(i, q, complex(sn, 0)*x+complex(cs, 0)*y)
		}
	}
	return true
}

func (d svd) sort() {
	for i := range d.s {
		for j := i; j > 0 && d.s[j] > d.s[j-1]; j-- {
			d.s[j], d.s[j-1] = d.s[j-1], d.s[j]
			for _, m := range []matrix{d.u, d.v} {
				for r := range m.rows {
					a, b := m.at(r, j), m.at(r, j-1)
					m.set(r, j, b)
					m.set(r, j-1, a)
				}
			}
		}
	}
}

// condition is the ratio of the largest to the smallest singular value.
func (d svd) condition() float64 {
	if d.s[len(d.s)-1] == 0 {
		return math.Inf(1)
	}
	return d.s[0] / d.s[len(d.s)-1]
}

// pseudoInverse is v diag(1/s) u^H.
func (d svd) pseudoInverse() matrix {
	n := len(d.s)
	out := newMatrix(n, d.u.rows)
	for k, s := range d.s {
		if s == 0 {
			continue
		}
		for i := range n {
			f := d.v.at(i, k) / complex(s, 0)
			for j := range d.u.rows {
				out.v[i*d.u.rows+j] += f * cmplx.Conj(d.u.at(j, k))
			}
		}
	}
	return out
}

// scaleColumns divides every column by its length, so that planes of different
// radii and units of mass do not disturb a condition number. Zero columns stay.
func scaleColumns(m matrix) (matrix, []float64) {
	out, scale := m.clone(), make([]float64, m.cols)
	for j := range scale {
		for i := range m.rows {
			scale[j] = math.Hypot(scale[j], cmplx.Abs(m.at(i, j)))
		}
		if scale[j] == 0 {
			scale[j] = 1
		}
		for i := range m.rows {
			out.v[i*m.cols+j] /= complex(scale[j], 0)
		}
	}
	return out, scale
}

// solveHermitian solves a x = b for a positive definite Hermitian a by
// Cholesky, overwriting both; ok is false where a is not positive definite.
func solveHermitian(a matrix, b []complex128) (ok bool) {
	if !cholesky(a) {
		return false
	}
	n := a.rows
	for i := range n {
		b[i] = scaled(b[i]-dot(a.row(i)[:i], b[:i]), 1/real(a.at(i, i)))
	}
	for i := n - 1; i >= 0; i-- {
		s := b[i]
		for k := i + 1; k < n; k++ {
			s -= cmplx.Conj(a.at(k, i)) * b[k]
		}
		b[i] = scaled(s, 1/real(a.at(i, i)))
	}
	return true
}

// scaled is z times a real number, which the compiler would do as a full complex
// product.
func scaled(z complex128, by float64) complex128 { return complex(real(z)*by, imag(z)*by) }

// cholesky replaces the lower triangle of a by l with a = l l^H.
func cholesky(a matrix) (ok bool) {
	for i := range a.rows {
		for j := 0; j <= i; j++ {
			s := a.at(i, j)
			for k := range j {
				s -= a.at(i, k) * cmplx.Conj(a.at(j, k))
			}
			if i == j {
				if !(real(s) > 0) {
					return false
				}
				s = complex(math.Sqrt(real(s)), 0)
			} else {
				s = scaled(s, 1/real(a.at(j, j)))
			}
			a.set(i, j, s)
		}
	}
	return true
}

// lowerSolve solves l x = b in place for a lower triangular l.
func lowerSolve(l matrix, b []complex128) {
	for i := range b {
		b[i] = (b[i] - dot(l.row(i)[:i], b[:i])) / l.at(i, i)
	}
}
