package picture

import (
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Trend is figures over time.
type Trend struct {
	Head
	XLabel, YLabel string
	X              []float64 // rising, in the unit of XLabel
	Series         []Series  // each as long as X
	Lo, Hi         float64   // of the vertical axis; both 0 = from 0 or the least to the largest
}

func (t Trend) size() (w, h vg.Length) { return 400, 240 }

func (t Trend) draw(c draw.Canvas) error {
	p := newPlot(t.Title)
	grid(p)
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, s := range t.Series {
		y := s.Y[:min(len(s.Y), len(t.X))]
		line(p, i, 1.4, nameOf(s.Name, len(t.Series)), func(k int) float64 { return t.X[k] }, y)
		for _, v := range y {
			if finite(v) {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
		}
	}
	if lo > hi || len(t.X) == 0 {
		return ErrEmpty
	}
	p.X.Label.Text, p.Y.Label.Text = t.XLabel, t.YLabel
	p.X.Min, p.X.Max = t.X[0], t.X[len(t.X)-1]
	if p.X.Min == p.X.Max {
		p.X.Min--
	}
	p.Y.Min, p.Y.Max = t.Lo, t.Hi
	if t.Lo == t.Hi {
		room := (hi - lo) * .1
		if room == 0 {
			room = math.Max(math.Abs(hi)*.1, 1e-9)
		}
		p.Y.Min, p.Y.Max = lo-room, hi+room
		if lo >= 0 && lo < hi/2 {
			p.Y.Min = 0
		}
	}
	p.Draw(inset(c))
	return nil
}
