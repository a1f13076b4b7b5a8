package blades

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"counterpoise/internal/rotor"
)

// Picture is what the drawing of a survey shows beside the rotor itself.
type Picture struct {
	Next          int   // blade to read now, 0 = none; it stands at the fixed pointer
	Done          []int // blades that are read
	Asked         []int // blades whose reading is in question
	Move          []int // blades to correct
	Anticlockwise bool  // the rotor turns that way as the reader sees it, who stands where the ruler is
}

// Drawing sketches the rotor as it is seen from the ruler: the pointer stays at
// the top and the next blade has been turned to it by hand. Numbers, mark and
// direction of rotation are drawn, and below them a cut along the shaft with
// the flow and the side on which the ruler stands. It is a complete SVG element
// that takes its colours from the page (--ink, --paper, --strong), readable
// without them and without colour: blades differ by hatching and sign.
func (s *Survey) Drawing(p Picture) string {
	d := &sketch{s: s, p: p, theta: s.Theta(), way: 1}
	if p.Anticlockwise {
		d.way = -1
	}
	if p.Next >= 1 && p.Next <= s.Blades {
		d.zero = d.theta[p.Next-1]
	}
	d.open()
	d.pointer()
	for i := range s.Blades {
		d.blade(i)
	}
	d.hub()
	d.arrow()
	d.cut()
	d.WriteString("</svg>")
	return d.String()
}

// Measures of the drawing, in its own units.
const (
	cx, cy          = 180.0, 186.0
	rootR, tipR     = 40.0, 126.0
	numberR, arrowR = 141.0, 160.0
)

type sketch struct {
	strings.Builder
	s     *Survey
	p     Picture
	theta []float64
	zero  float64 // rotor angle that stands at the pointer
	way   float64 // +1 = rotation runs clockwise on the page
}

func (d *sketch) put(format string, args ...any) { fmt.Fprintf(d, format+"\n", args...) }

// at is the point at radius r and rotor angle a; the top of the page is the
// pointer.
func (d *sketch) at(r, a float64) (x, y float64) {
	s, c := math.Sincos(d.way * (a - d.zero))
	return cx + r*s, cy - r*c
}

func (d *sketch) open() {
	d.put(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 360 486" role="img" class="blade-drawing" font-family="system-ui, sans-serif" fill="none" stroke="var(--ink, #222)" stroke-width="1.5">`)
	d.put(`<title>%s</title>`, d.title())
	d.put(`<defs><pattern id="blade-next" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="var(--paper, #fff)" stroke="none"/><line x1="0" y1="0" x2="0" y2="6" stroke="var(--strong, #000)" stroke-width="4"/></pattern></defs>`)
}

func (d *sketch) title() string {
	t := fmt.Sprintf("Rotor with %d blades, numbers run %s", d.s.Blades, strings.ReplaceAll(d.s.Numbering.String(), "-", " "))
	if d.p.Next > 0 {
		t += fmt.Sprintf("; read blade %d now", d.p.Next)
	}
	return t + "; " + d.standing() + "."
}

func (d *sketch) standing() string {
	if d.s.Side == Upstream {
		return "the ruler stands on the outlet side"
	}
	return "the ruler stands on the inlet side"
}

// pointer is the fixed place at the top to which blades are turned.
func (d *sketch) pointer() {
	d.put(`<path d="M%g %g l-9 -15 h18 z" fill="var(--ink, #222)"/>`, cx, cy-numberR-12)
	d.text(cx+16, cy-numberR-16, 12, "start", "fixed pointer, ruler here")
}

func (d *sketch) text(x, y, size float64, anchor, what string) {
	d.put(`<text x="%.1f" y="%.1f" font-size="%g" text-anchor="%s" stroke="none" fill="var(--ink, #222)">%s</text>`, x, y, size, anchor, what)
}

// blade draws blade i as a leaf whose leading side is the full one.
func (d *sketch) blade(i int) {
	n, a := i+1, d.theta[i]
	half := min(0.30, 0.36*2*math.Pi/float64(d.s.Blades))
	x1, y1 := d.at(rootR, a-half*0.6)
	x2, y2 := d.at(tipR, a-half*0.8)
	x3, y3 := d.at(tipR, a+half)
	x4, y4 := d.at(rootR, a+half*0.7)
	qx, qy := d.at((rootR+tipR)/2, a+half*1.35)
	fill, width := "var(--paper, #fff)", 1.5
	if n == d.p.Next {
		fill, width = "url(#blade-next)", 3
	}
	d.put(`<path class="%s" d="M%.1f %.1f L%.1f %.1f A%g %g 0 0 %d %.1f %.1f Q%.1f %.1f %.1f %.1f Z" fill="%s" stroke-width="%g"/>`,
		d.class(n), x1, y1, x2, y2, tipR, tipR, sweep(d.way), x3, y3, qx, qy, x4, y4, fill, width)
	d.number(n, a)
	d.sign(n, a)
}

func sweep(way float64) int {
	if way > 0 {
		return 1
	}
	return 0
}

func (d *sketch) class(n int) string {
	switch {
	case n == d.p.Next:
		return "blade next"
	case slices.Contains(d.p.Asked, n):
		return "blade asked"
	case slices.Contains(d.p.Done, n):
		return "blade done"
	}
	return "blade"
}

// number writes every number up to 24 blades, beyond that every fifth, but for
// the neighbours of the next one and of blade 1, which would run into them.
func (d *sketch) number(n int, a float64) {
	if d.s.Blades > 24 && n != d.p.Next && (n != 1 && n%5 != 0 || d.apart(n, d.p.Next) <= 2 || n != 1 && d.apart(n, 1) <= 2) {
		return
	}
	size, weight := 15.0, "normal"
	if d.s.Blades > 14 {
		size = 11
	}
	if n == d.p.Next {
		size, weight = size+4, "bold"
	}
	x, y := d.at(numberR, a)
	d.put(`<text x="%.1f" y="%.1f" font-size="%g" font-weight="%s" text-anchor="middle" stroke="none" fill="var(--ink, #222)">%d</text>`, x, y+size*0.35, size, weight, n)
}

// apart is how many blades lie between two, the shorter way round; far where
// one of them is none.
func (d *sketch) apart(a, b int) int {
	if a < 1 || b < 1 {
		return d.s.Blades
	}
	k := (a - b + d.s.Blades) % d.s.Blades
	return min(k, d.s.Blades-k)
}

// sign tells read, asked and to be moved without colour.
func (d *sketch) sign(n int, a float64) {
	mark := ""
	switch {
	case slices.Contains(d.p.Asked, n):
		mark = "?"
	case slices.Contains(d.p.Move, n):
		mark = "&#8597;"
	case slices.Contains(d.p.Done, n):
		mark = "&#10003;"
	}
	if mark == "" || d.s.Blades > 36 {
		return
	}
	x, y := d.at(0.68*tipR, a)
	d.text(x, y+5, 14, "middle", mark)
}

// hub with the reference mark, which is where angles begin.
func (d *sketch) hub() {
	d.put(`<circle cx="%g" cy="%g" r="%g" fill="var(--paper, #fff)"/>`, cx, cy, rootR)
	d.put(`<circle cx="%g" cy="%g" r="4" fill="var(--ink, #222)"/>`, cx, cy)
	x1, y1 := d.at(rootR-2, 0)
	x2, y2 := d.at(rootR-14, -0.22)
	x3, y3 := d.at(rootR-14, 0.22)
	d.put(`<path d="M%.1f %.1f L%.1f %.1f L%.1f %.1f Z" fill="var(--strong, #000)"/>`, x1, y1, x2, y2, x3, y3)
	x, y := d.at(rootR-22, 0)
	d.text(x, y+3, 8, "middle", "mark")
}

// arrow is the direction of rotation, beside the pointer and outside the tips.
func (d *sketch) arrow() {
	a0, a1 := d.zero+1.9, d.zero+2.6
	x0, y0 := d.at(arrowR, a0)
	x1, y1 := d.at(arrowR, a1)
	d.put(`<path d="M%.1f %.1f A%g %g 0 0 %d %.1f %.1f" stroke-width="3"/>`, x0, y0, arrowR, arrowR, sweep(d.way), x1, y1)
	bx, by := d.at(arrowR-8, a1)
	ex, ey := d.at(arrowR+8, a1)
	tx, ty := d.at(arrowR, a1+0.10)
	d.put(`<path d="M%.1f %.1f L%.1f %.1f L%.1f %.1f Z" fill="var(--ink, #222)"/>`, bx, by, ex, ey, tx, ty)
	d.text(cx, cy+arrowR+12, 12, "middle", "turns this way when it runs")
	d.text(cx, cy+arrowR+28, 12, "middle", d.first())
}

// first says where blade 1 stands.
func (d *sketch) first() string {
	a := math.Round(rotor.WithRotation.Degrees(d.theta[0])*10) / 10
	switch {
	case a == 0 || a == 360:
		return "blade 1 stands at the mark"
	case a > 180:
		return fmt.Sprintf("blade 1 stands %g&#176; behind the mark, against rotation", 360-a)
	}
	return fmt.Sprintf("blade 1 stands %g&#176; ahead of the mark, with rotation", a)
}

// cut is the view along the shaft: flow from left to right, the blade's two
// edges, and the ruler on its side.
func (d *sketch) cut() {
	const top, mid, bottom = 402.0, 434.0, 466.0
	d.put(`<path d="M20 %g H340 M20 %g H340"/>`, top, bottom)
	d.put(`<path d="M28 %g h34 l-7 -5 m7 5 l-7 5"/>`, mid)
	d.text(28, mid-8, 11, "start", "flow")
	// Blade: leading edge at the left, trailing edge at the right.
	d.put(`<path d="M168 %g L192 %g" stroke-width="4"/>`, mid+22, mid-22)
	for _, e := range []struct {
		x, y float64
		name string
	}{{168, mid + 22, "leading edge"}, {192, mid - 22, "trailing edge"}} {
		from, dir := 96.0, 1.0
		if d.s.Side == Upstream {
			from, dir = 264, -1
		}
		d.put(`<path d="M%g %g H%g" stroke-dasharray="3 3"/>`, from, e.y, e.x-4*dir)
		d.put(`<path d="M%g %g l%g -4 m%g 4 l%g 4"/>`, e.x-4*dir, e.y, -6*dir, 6*dir, -6*dir)
		x, a := 206.0, "start"
		if d.s.Side == Upstream {
			x, a = 154, "end"
		}
		d.text(x, e.y+4, 11, a, e.name)
	}
	x := 90.0
	if d.s.Side == Upstream {
		x = 264
	}
	d.put(`<rect x="%g" y="%g" width="6" height="56" fill="var(--ink, #222)"/>`, x, mid-28)
	d.text(180, 394, 12, "middle", d.standing())
}
