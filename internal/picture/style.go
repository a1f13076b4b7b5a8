package picture

import (
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

var (
	paper = color.White
	ink   = color.RGBA{0x0d, 0x0f, 0x12, 255}
	soft  = color.RGBA{0x45, 0x49, 0x4f, 255}
	faint = color.RGBA{0xc9, 0xc7, 0xbd, 255}
)

// colours of the series: all at least 7:1 on white, apart in lightness or hue for
// the common kinds of colour blindness.
var colours = []color.RGBA{{0x00, 0x3f, 0x9e, 255}, {0xa8, 0x3a, 0x00, 255}, {0x00, 0x63, 0x4a, 255}, {0x7b, 0x1f, 0x86, 255}, {0x5d, 0x50, 0x00, 255}, {0x45, 0x49, 0x4f, 255}}

// dashes tell series apart without colour.
var dashes = [][]vg.Length{nil, {6, 3}, {2, 2}, {8, 2, 2, 2}, {4, 2, 1, 2, 1, 2}, {1, 2}}

var shapes = []draw.GlyphDrawer{draw.RingGlyph{}, draw.BoxGlyph{}, draw.TriangleGlyph{}, draw.CrossGlyph{}, draw.PlusGlyph{}, draw.PyramidGlyph{}}

func colour(i int) color.RGBA { return colours[i%len(colours)] }

func lineStyle(i int, width vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: colour(i), Width: width, Dashes: dashes[i%len(dashes)]}
}

func faceOf(size vg.Length) font.Font {
	return font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
}

func textStyle(size vg.Length, c color.Color) text.Style {
	return text.Style{Color: c, Font: faceOf(size), Handler: plot.DefaultTextHandler, XAlign: draw.XCenter, YAlign: draw.YCenter}
}

// newPlot is an empty plot in our style.
func newPlot(title string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	p.Title.Text, p.Title.Padding = title, 4
	p.Title.TextStyle.Font, p.Title.TextStyle.Color = faceOf(13), ink
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font, a.Tick.Label.Font = faceOf(12), faceOf(11)
		a.Label.TextStyle.Color, a.Tick.Label.Color = ink, ink
		a.LineStyle = draw.LineStyle{Color: ink, Width: 1}
		a.Tick.LineStyle = draw.LineStyle{Color: ink, Width: .6}
		a.Tick.Marker = ticks{}
		a.Padding = 0
	}
	p.Legend.TextStyle.Font, p.Legend.TextStyle.Color = faceOf(11), ink
	p.Legend.Top, p.Legend.ThumbnailWidth, p.Legend.Padding = true, 26, 2
	return p
}

// ticks are about five round numbers, written plainly.
type ticks struct{}

func (ticks) Ticks(lo, hi float64) (out []plot.Tick) {
	step := nice((hi - lo) / 5)
	if !(step > 0) {
		return nil
	}
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		out = append(out, plot.Tick{Value: i * step, Label: figure(i * step)})
	}
	return out
}

// nice is the least of 1, 2, 2.5 and 5 times a power of ten that is at least v.
func nice(v float64) float64 {
	if !(v > 0) || math.IsInf(v, 0) {
		return 0
	}
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 2.5, 5} {
		if m*p >= v*(1-1e-9) {
			return m * p
		}
	}
	return 10 * p
}
