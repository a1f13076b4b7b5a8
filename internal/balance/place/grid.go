package place

import "math"

// entry is a sum of one to four pieces.
type entry struct {
	x, y float64
	mask uint64
	ids  [4]int16 // piece numbers, the first n of the grid count
}

// grid holds entries sorted into square cells, about one entry each, so that
// all sums near a point are found without looking at the others.
type grid struct {
	x0, y0, side float64
	nx, ny       int
	n            int // pieces in every entry
	start        []int32
	entries      []entry
}

func newGrid(es []entry, n int) *grid {
	g := &grid{n: n, side: 1, nx: 1, ny: 1, x0: math.Inf(1), y0: math.Inf(1)}
	x1, y1 := math.Inf(-1), math.Inf(-1)
	for i := range es {
		g.x0, x1 = math.Min(g.x0, es[i].x), math.Max(x1, es[i].x)
		g.y0, y1 = math.Min(g.y0, es[i].y), math.Max(y1, es[i].y)
	}
	if n := float64(len(es)); n > 0 {
		w, h := x1-g.x0, y1-g.y0
		g.side = math.Max(math.Sqrt(w*h/n), math.Max(w, h)/n)
		if !(g.side > 0) {
			g.side = 1
		}
		g.nx, g.ny = int(w/g.side)+1, int(h/g.side)+1
	}
	g.start = make([]int32, g.nx*g.ny+1)
	at := make([]int32, len(es))
	for i := range es {
		at[i] = int32(g.column(es[i].x) + g.row(es[i].y)*g.nx)
		g.start[at[i]+1]++
	}
	for c := range g.nx * g.ny {
		g.start[c+1] += g.start[c]
	}
	next := make([]int32, g.nx*g.ny)
	g.entries = make([]entry, len(es))
	for i := range es {
		c := at[i]
		g.entries[g.start[c]+next[c]] = es[i]
		next[c]++
	}
	return g
}

// column and row are the cell of a coordinate, held inside the grid.
func (g *grid) column(x float64) int { return clamp((x-g.x0)/g.side, g.nx) }
func (g *grid) row(y float64) int    { return clamp((y-g.y0)/g.side, g.ny) }

func clamp(f float64, n int) int {
	if !(f > 0) {
		return 0
	}
	if f >= float64(n) {
		return n - 1
	}
	return int(f)
}

// out is the distance of a point from the box that holds all entries.
func (g *grid) out(x, y float64) float64 {
	dx := math.Max(0, math.Max(g.x0-x, x-(g.x0+float64(g.nx)*g.side)))
	dy := math.Max(0, math.Max(g.y0-y, y-(g.y0+float64(g.ny)*g.side)))
	return math.Hypot(dx, dy)
}
