package blades

import "math"

// program is a linear program in the form
//
//	least c.y  with  A y <= b,  y >= 0,  c >= 0
//
// kept as a condensed tableau: one row for each basic variable, one column for
// each variable that is zero. Because every cost is positive the all-slack
// basis is dual feasible whatever the signs of b, so the dual simplex method
// starts at once, its objective only rises, and a constraint can be added to a
// solved program without starting again (G. B. Dantzig, Linear Programming and
// Extensions, 1963, ch. 11; C. E. Lemke 1954).
type program struct {
	n     int         // structural variables
	row   [][]float64 // [basic][column], the last column is the right-hand side
	cost  []float64   // reduced costs by column; the last holds -objective
	col   []int       // variable standing in each column
	basic []int       // variable standing in each row; >= n is a slack
	work  *int        // multiplications, counted
}

type outcome uint8

const (
	solved     outcome = iota
	infeasible         // proven: no y satisfies the rows
	costly             // proven: the optimum is at or above the limit
	lost               // no proof: the iterations ran out
)

// The rows are scaled by their owner to figures near one.
const (
	feasible = 1e-10 // a right-hand side above minus this counts as satisfied
	pivotal  = 1e-9  // a coefficient smaller than this is rounding
)

func newProgram(cost []float64, work *int) *program {
	n := len(cost)
	p := &program{n: n, cost: append(append(make([]float64, 0, n+1), cost...), 0), col: make([]int, n), work: work}
	for j := range p.col {
		p.col[j] = j
	}
	return p
}

// add appends the constraint a.y <= b, written in terms of the variables that
// are zero just now.
func (p *program) add(a []float64, b float64) {
	r := make([]float64, p.n+1)
	for j, v := range p.col {
		if v < p.n {
			r[j] = a[v]
		}
	}
	r[p.n] = b
	for i, v := range p.basic {
		if v >= p.n || a[v] == 0 {
			continue
		}
		f := a[v]
		for j, x := range p.row[i] { // y_v = rhs - sum row_j y_j
			r[j] -= f * x
		}
	}
	p.row = append(p.row, r)
	p.basic = append(p.basic, p.n+len(p.row)-1)
}

// solve runs the dual simplex until every right-hand side is positive.
func (p *program) solve(limit float64) outcome {
	for range 8*(len(p.row)+p.n) + 50 {
		if p.objective() >= limit {
			return costly
		}
		leave, worst := -1, -feasible
		for i, r := range p.row {
			if r[p.n] < worst {
				leave, worst = i, r[p.n]
			}
		}
		if leave < 0 {
			return solved
		}
		enter, best := -1, math.Inf(1)
		for j, x := range p.row[leave][:p.n] {
			if x >= -pivotal {
				continue
			}
			q := -p.cost[j] / x
			if q < best-1e-12 || (q < best+1e-12 && x < p.row[leave][enter]) { // of equals the largest pivot
				enter, best = j, min(q, best)
			}
		}
		if enter < 0 {
			return infeasible
		}
		p.pivot(leave, enter)
	}
	return lost
}

func (p *program) pivot(l, e int) {
	*p.work += len(p.row) * p.n
	lr := p.row[l]
	inv := 1 / lr[e]
	for j := range lr {
		lr[j] *= inv
	}
	lr[e] = inv
	sweep := func(r []float64) {
		f := r[e]
		if f == 0 {
			return
		}
		for j, x := range lr {
			r[j] -= f * x
		}
		r[e] = -f * inv
	}
	for i, r := range p.row {
		if i != l {
			sweep(r)
		}
	}
	sweep(p.cost)
	p.col[e], p.basic[l] = p.basic[l], p.col[e]
}

func (p *program) objective() float64 { return -p.cost[p.n] }

// values writes the structural variables into y.
func (p *program) values(y []float64) {
	clear(y)
	for i, v := range p.basic {
		if v < p.n {
			y[v] = p.row[i][p.n]
		}
	}
}

// clone copies the tableau, so that a branch can be tried and dropped.
func (p *program) clone() *program {
	q := &program{n: p.n, work: p.work, cost: append([]float64(nil), p.cost...), col: append([]int(nil), p.col...), basic: append([]int(nil), p.basic...)}
	q.row = make([][]float64, len(p.row))
	flat := make([]float64, 0, len(p.row)*(p.n+1))
	for i, r := range p.row {
		flat = append(flat, r...)
		q.row[i] = flat[len(flat)-len(r) : len(flat) : len(flat)]
	}
	return q
}
