package picture

import (
	"fmt"
	"image/color"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

var nan = math.NaN()

// Polar shows vectors that turn with the rotor: the mark at the top, the rotor
// turning anticlockwise, whichever way angles are counted.
type Polar struct {
	Head
	Unit    string
	Mark    string // the word at the mark
	Against bool   // the angles beside the picture count against rotation
	Vectors []Vector
}

// Vector is one sensor's 1x, real towards the mark, imaginary 90 degrees ahead of
// it in the direction of rotation, in the picture's unit.
type Vector struct {
	Name string
	At   complex128
	// Major and Minor are the half-axes of the 95 % region, Turn (rad) the way
	// from the mark to the major one; both zero where it is not known.
	Major, Minor, Turn float64
	Path               []complex128 // how it came here, oldest first
	Stops              []Stop       // readings on the way
	Limit              float64      // the tolerance as a radius; 0 = none
}

// Stop is one reading on the way, drawn small with its label.
type Stop struct {
	Label string
	At    complex128
}

func (p Polar) size() (w, h vg.Length) { return 380, 386 + p.legend() }

// legend is the height of the list of sensors.
func (p Polar) legend() vg.Length { return vg.Length(17 * len(p.Vectors)) }

func (p Polar) draw(c draw.Canvas) error {
	full := p.full()
	if full == 0 {
		return ErrEmpty
	}
	pl := newPlot(p.Title)
	pl.HideAxes()
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = -1, 1, -1, 1
	pl.Add(disc{p, full})
	for i, v := range p.Vectors {
		pl.Legend.Add(fmt.Sprintf("%c  %s", 'A'+i%26, v.Name), thumb(i))
	}
	pl.Legend.Top, pl.Legend.Left, pl.Legend.ThumbnailWidth = false, true, 18
	pl.Legend.Padding = 4
	pl.Draw(draw.Crop(c, 4, -4, 4, -4))
	return nil
}

// full is the radius of the outer ring: five round steps that hold what there is.
func (p Polar) full() float64 {
	need := 0.0
	see := func(z complex128, more float64) {
		if r := cmplx.Abs(z); finite(r) {
			need = math.Max(need, r+math.Min(more, r*.3))
		}
	}
	for _, v := range p.Vectors {
		see(v.At, v.Major)
		for _, s := range v.Stops {
			see(s.At, 0)
		}
		for _, z := range v.Path {
			see(z, 0)
		}
	}
	return 5 * nice(need/5*1.02)
}

// thumb is the sign of a series beside its name.
type thumb int

func (t thumb) Thumbnail(c *draw.Canvas) {
	mid := vg.Point{X: (c.Min.X + c.Max.X) / 2, Y: (c.Min.Y + c.Max.Y) / 2}
	sign(c, int(t), mid)
}

func sign(c *draw.Canvas, i int, at vg.Point) {
	c.DrawGlyphNoClip(draw.GlyphStyle{Color: paper, Radius: 4, Shape: draw.CircleGlyph{}}, at)
	c.SetLineWidth(1.4)
	c.DrawGlyphNoClip(draw.GlyphStyle{Color: colour(i), Radius: 4, Shape: shapes[i%len(shapes)]}, at)
}

// disc is the plotter of the picture.
type disc struct {
	Polar
	full float64
}

func (d disc) Plot(c draw.Canvas, _ *plot.Plot) {
	area := draw.Crop(c, 34, -34, 20+d.legend(), -24)
	r := min(area.Size().X, area.Size().Y) / 2
	mid := area.Center()
	at := func(z complex128) vg.Point {
		s := float64(r) / d.full
		return vg.Point{X: mid.X - vg.Length(imag(z)*s), Y: mid.Y + vg.Length(real(z)*s)}
	}
	d.frame(&c, mid, r, at)
	for i, v := range d.Vectors {
		d.way(&c, i, v, at)
	}
	for i, v := range d.Vectors {
		d.vector(&c, i, v, at)
	}
}

// frame draws rings, spokes and the angles as they are counted.
func (d disc) frame(c *draw.Canvas, mid vg.Point, r vg.Length, at func(complex128) vg.Point) {
	for i := 1; i <= 5; i++ {
		style := draw.LineStyle{Color: faint, Width: .6}
		if i == 5 {
			style = draw.LineStyle{Color: ink, Width: 1}
		}
		circle(c, style, mid, r*vg.Length(i)/5)
	}
	label := textStyle(11, color.Color(ink))
	for deg := 0; deg < 360; deg += 30 {
		dir := cmplx.Rect(d.full, float64(deg)*math.Pi/180)
		c.StrokeLine2(draw.LineStyle{Color: faint, Width: .5}, mid.X, mid.Y, at(dir).X, at(dir).Y)
		shown := deg
		if d.Against {
			shown = (360 - deg) % 360
		}
		word := fmt.Sprintf("%d°", shown)
		if deg == 0 {
			word = d.Mark + " 0°"
		}
		c.FillText(label, at(dir*complex(1+15/float64(r), 0)), word)
	}
	tip := at(complex(d.full, 0)) // the mark is a notch in the outer ring
	c.FillPolygon(ink, []vg.Point{tip, {X: tip.X - 5, Y: tip.Y - 9}, {X: tip.X + 5, Y: tip.Y - 9}})
	c.StrokeLine2(draw.LineStyle{Color: soft, Width: 1.2}, tip.X-14, tip.Y+24, tip.X-52, tip.Y+16)
	c.FillPolygon(soft, []vg.Point{{X: tip.X - 58, Y: tip.Y + 14}, {X: tip.X - 49, Y: tip.Y + 20}, {X: tip.X - 47, Y: tip.Y + 13}})
	small := textStyle(10, color.Color(soft))
	small.XAlign = draw.XLeft
	c.FillText(small, vg.Point{X: mid.X + 3, Y: mid.Y + r/5 + 5}, figure(d.full/5)+" "+d.Unit)
	c.FillText(small, vg.Point{X: mid.X + 3, Y: mid.Y + r*4/5 + 5}, figure(d.full*4/5))
}

// way draws how a vector came here and the readings on the way.
func (d disc) way(c *draw.Canvas, i int, v Vector, at func(complex128) vg.Point) {
	thin := draw.LineStyle{Color: colour(i), Width: .7, Dashes: dashes[i%len(dashes)]}
	var pts []vg.Point
	for _, z := range v.Path {
		if finite(cmplx.Abs(z)) {
			pts = append(pts, at(z))
		}
	}
	c.StrokeLines(thin, pts)
	if v.Limit > 0 && v.Limit <= d.full {
		ring := draw.LineStyle{Color: colour(i), Width: 1, Dashes: []vg.Length{1, 3}}
		circle(c, ring, at(0), at(complex(v.Limit, 0)).Y-at(0).Y)
	}
	label := textStyle(10, color.Color(colour(i)))
	taken := []vg.Point{at(v.At)} // the tip has its letter
	for _, s := range v.Stops {
		p := at(s.At)
		c.DrawGlyphNoClip(draw.GlyphStyle{Color: colour(i), Radius: 2, Shape: draw.CircleGlyph{}}, p)
		if slices.ContainsFunc(taken, func(q vg.Point) bool { return math.Hypot(float64(p.X-q.X), float64(p.Y-q.Y)) < 14 }) {
			continue // figures over each other tell nothing
		}
		taken = append(taken, p)
		c.FillText(label, vg.Point{X: p.X + 8, Y: p.Y + 6}, s.Label)
	}
}

func (d disc) vector(c *draw.Canvas, i int, v Vector, at func(complex128) vg.Point) {
	if !finite(cmplx.Abs(v.At)) {
		return
	}
	tip := at(v.At)
	c.StrokeLine2(draw.LineStyle{Color: colour(i), Width: 1.8}, at(0).X, at(0).Y, tip.X, tip.Y)
	if v.Major > 0 && finite(v.Major) && v.Major < d.full {
		var ring []vg.Point
		for k := range 48 {
			a := 2 * math.Pi * float64(k) / 48
			ring = append(ring, at(v.At+complex(v.Major*math.Cos(a), v.Minor*math.Sin(a))*cmplx.Rect(1, v.Turn)))
		}
		fill := colour(i)
		c.FillPolygon(color.NRGBA{fill.R, fill.G, fill.B, 60}, ring)
		c.StrokeLines(draw.LineStyle{Color: fill, Width: .7}, append(ring, ring[0]))
	}
	sign(c, i, tip)
	out := cmplx.Rect(1, cmplx.Phase(v.At))
	name := textStyle(12, color.Color(ink))
	c.FillText(name, vg.Point{X: tip.X - vg.Length(imag(out))*11, Y: tip.Y + vg.Length(real(out))*11}, string(rune('A'+i%26)))
}

func circle(c *draw.Canvas, style draw.LineStyle, mid vg.Point, r vg.Length) {
	c.SetLineStyle(style)
	var p vg.Path
	p.Move(vg.Point{X: mid.X + r, Y: mid.Y})
	p.Arc(mid, r, 0, 2*math.Pi)
	p.Close()
	c.Stroke(p)
}
