package picture

import (
	"math"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Series is one line of a picture.
type Series struct {
	Name string
	Y    []float64 // NaN leaves a gap
}

// line adds y over x to a plot; gaps end the line and begin it again.
func line(p *plot.Plot, i int, width vg.Length, name string, x func(int) float64, y []float64) {
	var thumb *plotter.Line
	for from := 0; from < len(y); {
		to := from
		var piece plotter.XYs
		for ; to < len(y) && finite(y[to]) && finite(x(to)); to++ {
			piece = append(piece, plotter.XY{X: x(to), Y: y[to]})
		}
		if len(piece) > 0 {
			l := &plotter.Line{XYs: piece, LineStyle: lineStyle(i, width)}
			p.Add(l)
			thumb = l
		}
		from = to + 1
	}
	if thumb != nil && name != "" {
		p.Legend.Add(name, thumb)
	}
}

// grid is drawn under the lines.
func grid(p *plot.Plot) {
	g := plotter.NewGrid()
	g.Vertical = draw.LineStyle{Color: faint, Width: .5}
	g.Horizontal = g.Vertical
	p.Add(g)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// figure is a number without noise behind its last digit.
func figure(v float64) string {
	if math.Abs(v) < 1e-12 {
		return "0"
	}
	s := strconv.FormatFloat(v, 'g', 5, 64)
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return s
	}
	if a := math.Abs(f); a >= 1e-4 && a < 1e6 {
		return strconv.FormatFloat(f, 'f', -1, 64)
	}
	return s
}

// top is the largest finite figure.
func top(lists ...[]float64) (most float64, any bool) {
	for _, ys := range lists {
		for _, y := range ys {
			if finite(y) {
				most, any = math.Max(most, y), true
			}
		}
	}
	return most, any
}
