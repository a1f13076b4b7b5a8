package phase

import "math"

// matrix is a small dense square matrix with its LU factors in place. Singular
// pivots are treated as unknowns that are not there: their solution is zero.
type matrix struct {
	n    int
	a    []float64
	perm []int
}

func (m *matrix) reset(n int) {
	m.n = n
	m.a = resize(m.a, n*n)
	m.perm = resize(m.perm, n)
}

func (m *matrix) add(r, c int, v float64) { m.a[r*m.n+c] += v }

// factor decomposes in place, with partial pivoting.
func (m *matrix) factor() {
	n, a := m.n, m.a
	for i := range m.perm {
		m.perm[i] = i
	}
	largest := 0.0
	for _, v := range a {
		largest = math.Max(largest, math.Abs(v))
	}
	for k := range n {
		p := k
		for i := k + 1; i < n; i++ {
			if math.Abs(a[i*n+k]) > math.Abs(a[p*n+k]) {
				p = i
			}
		}
		if p != k {
			m.perm[p], m.perm[k] = m.perm[k], m.perm[p]
			for j := range n {
				a[p*n+j], a[k*n+j] = a[k*n+j], a[p*n+j]
			}
		}
		if !(math.Abs(a[k*n+k]) > 1e-12*largest) {
			a[k*n+k] = 0
			continue
		}
		for i := k + 1; i < n; i++ {
			f := a[i*n+k] / a[k*n+k]
			a[i*n+k] = f
			for j := k + 1; j < n; j++ {
				a[i*n+j] -= f * a[k*n+j]
			}
		}
	}
}

// solve finds x with m x = b.
func (m *matrix) solve(b, x []float64) {
	n, a := m.n, m.a
	for i := range n {
		v := b[m.perm[i]]
		for j := range i {
			if a[j*n+j] != 0 {
				v -= a[i*n+j] * x[j]
			}
		}
		x[i] = v
	}
	for i := n - 1; i >= 0; i-- {
		if a[i*n+i] == 0 {
			x[i] = 0
			continue
		}
		v := x[i]
		for j := i + 1; j < n; j++ {
			v -= a[i*n+j] * x[j]
		}
		x[i] = v / a[i*n+i]
	}
}
