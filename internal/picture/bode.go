package picture

import (
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Bode is amplitude and phase over the speed of a run-up or coast-down.
type Bode struct {
	Head
	XLabel, AmplitudeLabel, PhaseLabel string
	Speed                              []float64
	Sensors                            []Sweep
}

// Sweep is one sensor's 1x over the speeds; NaN where nothing is known.
type Sweep struct {
	Name      string
	Amplitude []float64
	Phase     []float64 // degrees, 0 to 360
}

func (b Bode) size() (w, h vg.Length) { return 400, 420 }

func (b Bode) draw(c draw.Canvas) error {
	up, down := newPlot(b.Title), newPlot("")
	grid(up)
	grid(down)
	x := func(k int) float64 { return b.Speed[k] }
	var ys [][]float64
	for i, s := range b.Sensors {
		n := min(len(b.Speed), len(s.Amplitude), len(s.Phase))
		line(up, i, 1.3, nameOf(s.Name, len(b.Sensors)), x, s.Amplitude[:n])
		for _, piece := range turns(s.Phase[:n]) {
			line(down, i, 1.3, "", x, piece)
		}
		ys = append(ys, s.Amplitude[:n])
	}
	most, ok := top(ys...)
	if !ok {
		return ErrEmpty
	}
	if most == 0 {
		most = 1
	}
	lo, hi := b.Speed[0], b.Speed[0]
	for _, v := range b.Speed {
		lo, hi = min(lo, v), max(hi, v)
	}
	if lo == hi {
		hi++
	}
	up.Y.Label.Text, down.Y.Label.Text, down.X.Label.Text = b.AmplitudeLabel, b.PhaseLabel, b.XLabel
	up.Y.Min, up.Y.Max, down.Y.Min, down.Y.Max = 0, most*1.15, 0, 360
	up.X.Min, up.X.Max, down.X.Min, down.X.Max = lo, hi, lo, hi
	down.Y.Tick.Marker = plot.ConstantTicks([]plot.Tick{{Value: 0, Label: "0"}, {Value: 90, Label: "90"}, {Value: 180, Label: "180"}, {Value: 270, Label: "270"}, {Value: 360, Label: "360"}})
	tiles := draw.Tiles{Rows: 2, Cols: 1, PadY: 10, PadTop: 4, PadRight: 14, PadLeft: 4, PadBottom: 4}
	cs := plot.Align([][]*plot.Plot{{up}, {down}}, tiles, c)
	up.Draw(cs[0][0])
	down.Draw(cs[1][0])
	return nil
}

// turns cuts a phase where it steps over 360 degrees, so that no line crosses the
// picture that nothing measured: each piece is as long as the whole, with NaN
// outside.
func turns(phase []float64) (pieces [][]float64) {
	begin := 0
	for i := 1; i <= len(phase); i++ {
		if i < len(phase) && !(phase[i]-phase[i-1] > 180 || phase[i]-phase[i-1] < -180) {
			continue
		}
		piece := make([]float64, len(phase))
		for k := range piece {
			piece[k] = nan
			if k >= begin && k < i {
				piece[k] = phase[k]
			}
		}
		pieces, begin = append(pieces, piece), i
	}
	return pieces
}
