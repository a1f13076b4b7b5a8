package picture

import (
	"cmp"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Spectrum is one spectrum, or several laid over each other.
type Spectrum struct {
	Head
	XLabel, YLabel string // with their units
	Lines          []SpectrumLines
	Peaks          []PeakName
	Hi             float64 // the axis ends here; 0 = where the lines end
}

// SpectrumLines are the lines of one spectrum: line i stands at i*Step.
type SpectrumLines struct {
	Name string
	Step float64
	Y    []float64
}

// PeakName writes a name above the line nearest to X.
type PeakName struct {
	X    float64
	Name string
}

func (s Spectrum) size() (w, h vg.Length) { return 400, 260 }

func (s Spectrum) draw(c draw.Canvas) error {
	p, hi := newPlot(s.Title), s.Hi
	grid(p)
	var ys [][]float64
	for i, l := range s.Lines {
		end := l.Step * float64(len(l.Y)-1)
		if s.Hi <= 0 {
			hi = math.Max(hi, end)
		}
		ys = append(ys, l.Y[:shown(l, s.Hi)])
		line(p, i, 1, nameOf(l.Name, len(s.Lines)), func(k int) float64 { return float64(k) * l.Step }, ys[i])
	}
	most, ok := top(ys...)
	if !ok || !(hi > 0) {
		return ErrEmpty
	}
	if most == 0 {
		most = 1
	}
	p.X.Label.Text, p.Y.Label.Text = s.XLabel, s.YLabel
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, hi, 0, most*1.18
	if len(s.Lines) > 1 {
		p.Y.Max = most * 1.4 // room for the names of the lines
	}
	p.Add(peakNames{s.Peaks, s.Lines})
	p.Draw(inset(c))
	return nil
}

// shown is how many lines lie below hi; 0 = all of them count.
func shown(l SpectrumLines, hi float64) int {
	if hi <= 0 || !(l.Step > 0) {
		return len(l.Y)
	}
	return min(len(l.Y), int(hi/l.Step)+1)
}

// nameOf drops the name of a line that stands alone.
func nameOf(name string, of int) string {
	if of < 2 {
		return ""
	}
	return name
}

// inset leaves room for the last figure of the axis.
func inset(c draw.Canvas) draw.Canvas { return draw.Crop(c, 4, -14, 4, -4) }

// peakNames is a plotter: the highest peak gets its place first, and a name that
// has no room is left out; it stands in the list of peaks.
type peakNames struct {
	names []PeakName
	lines []SpectrumLines
}

func (n peakNames) Plot(c draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&c)
	type spot struct {
		PeakName
		y float64
	}
	var spots []spot
	for _, k := range n.names {
		if k.Name == "" || k.X > p.X.Max || k.X < p.X.Min {
			continue
		}
		s := spot{PeakName: k}
		for _, l := range n.lines {
			for i := int(k.X/l.Step) - 1; l.Step > 0 && i <= int(k.X/l.Step)+2; i++ {
				if i >= 0 && i < len(l.Y) && finite(l.Y[i]) {
					s.y = math.Max(s.y, l.Y[i])
				}
			}
		}
		spots = append(spots, s)
	}
	slices.SortStableFunc(spots, func(a, b spot) int { return cmp.Compare(b.y, a.y) })
	style := textStyle(10.5, color.Color(ink))
	style.YAlign = draw.YBottom
	var taken []vg.Rectangle
	for _, s := range spots {
		at := vg.Point{X: tx(s.X), Y: ty(s.y) + 3}
		box := style.Rectangle(s.Name).Add(at)
		if box.Max.X > c.Max.X || slices.ContainsFunc(taken, func(r vg.Rectangle) bool { return overlap(r, box) }) {
			continue
		}
		taken = append(taken, box)
		c.FillText(style, at, s.Name)
	}
}

func overlap(a, b vg.Rectangle) bool {
	return a.Min.X < b.Max.X+2 && b.Min.X < a.Max.X+2 && a.Min.Y < b.Max.Y && b.Min.Y < a.Max.Y
}
