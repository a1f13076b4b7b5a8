package place

import (
	"fmt"
	"html"
	"math"
	"strings"

	"counterpoise/internal/rotor"
)

const (
	drawingSize = 470 // width; the captions stand below the square
	drawingRim  = 130 // radius of the rotor's circle
	drawingText = 18  // readable where the drawing is as wide as a phone
)

// Drawing draws a placement as SVG, the mark at 12 o'clock. It states the side
// from which the rotor is seen, which way it turns, where the mark and blade 1
// are, and carries the words of Plain as its description.
func Drawing(p Placement, plane rotor.Plane, v View) (string, error) {
	words, err := p.Plain(v)
	if err != nil {
		return "", err
	}
	d := &drawing{v: v}
	captions := []string{
		fmt.Sprintf("Seen from %s: it turns %s", v.From, v.turns()),
		"Mark at 12 o'clock",
		v.blade1(),
		"Degrees " + v.counted(),
	}
	d.add(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" font-family="ui-sans-serif, system-ui, sans-serif" font-size="%d" fill="#1f2d36">`,
		drawingSize, drawingSize+26*len(captions), drawingText)
	d.add(`<title>%s</title><desc>%s</desc>`, esc(title(p.Plane)+", seen from "+v.From), esc(strings.Join(words, " ")))
	d.add(`<rect width="100%%" height="100%%" fill="#fbfaf6"/>`)
	d.rotor()
	d.places(p, plane)
	for i, c := range captions {
		d.add(`<text x="%d" y="%d" text-anchor="middle">%s</text>`, drawingSize/2, drawingSize+6+25*i, esc(c))
	}
	d.add(`</svg>`)
	return d.String(), nil
}

type drawing struct {
	strings.Builder
	v View
}

func (d *drawing) add(format string, args ...any) { fmt.Fprintf(d, format+"\n", args...) }

func esc(s string) string { return html.EscapeString(s) }

// at is the point at a rotor angle (rad) and a distance from the centre.
func (d *drawing) at(angle, r float64) (x, y float64) {
	s, c := math.Sincos(d.v.clock(angle))
	return drawingSize/2 + r*s, drawingSize/2 - r*c
}

// rotor draws the rim, the mark, blade 1 and the arrow of rotation.
func (d *drawing) rotor() {
	c := drawingSize / 2
	d.add(`<circle cx="%d" cy="%d" r="%d" fill="none" stroke="#1f2d36" stroke-width="1.5"/><circle cx="%d" cy="%d" r="5" fill="#1f2d36"/>`, c, c, drawingRim, c, c)
	d.add(`<path d="M%d %d l-7 -14 h14 z" fill="#1f2d36"/><text x="%d" y="%d" text-anchor="middle" font-weight="600">mark</text>`, c, c-drawingRim, c, c-drawingRim-20)
	if d.v.Machine.Blades > 0 {
		x1, y1 := d.at(d.v.Machine.Blade1, 30)
		x2, y2 := d.at(d.v.Machine.Blade1, drawingRim-34)
		xt, yt := d.at(d.v.Machine.Blade1+0.22, drawingRim-52)
		d.add(`<path d="M%.1f %.1f L%.1f %.1f" stroke="#5b7083" stroke-width="9" stroke-linecap="round"/><text x="%.1f" y="%.1f" text-anchor="middle" dominant-baseline="middle" fill="#40525f">blade 1</text>`, x1, y1, x2, y2, xt, yt)
	}
	// The arrow runs ahead of the mark, in the direction of rotation.
	xa, ya := d.at(0.35, 58)
	xb, yb := d.at(1.35, 58)
	xt, yt := d.at(1.52, 58)
	xl, yl := d.at(1.32, 65)
	xr, yr := d.at(1.32, 51)
	sweep := 0
	if d.v.Clockwise {
		sweep = 1
	}
	d.add(`<path d="M%.1f %.1f A58 58 0 0 %d %.1f %.1f" fill="none" stroke="#1f2d36" stroke-width="3"/><path d="M%.1f %.1f L%.1f %.1f L%.1f %.1f z"/>`,
		xa, ya, sweep, xb, yb, xt, yt, xl, yl, xr, yr)
}

// places draws every place with its number, what goes on and what comes off.
func (d *drawing) places(p Placement, plane rotor.Plane) {
	size := 13.0
	if n := len(plane.Positions); n > 16 {
		size = max(5, 13*16/float64(n))
	}
	for _, q := range plane.Positions {
		x, y := d.at(q.Angle, drawingRim)
		d.add(`<circle cx="%.1f" cy="%.1f" r="%.1f" fill="#fbfaf6" stroke="#1f2d36"/>`, x, y, size)
		if q.Forbidden {
			d.add(`<path d="M%.1f %.1f l%.1f %.1f m0 %.1f l%.1f %.1f" stroke="#1f2d36"/>`, x-size*.7, y-size*.7, size*1.4, size*1.4, -size*1.4, -size*1.4, size*1.4)
		}
		xt, yt := d.at(q.Angle, drawingRim-size-10)
		d.add(`<text x="%.1f" y="%.1f" text-anchor="middle" dominant-baseline="middle" font-size="%.1f">%d</text>`, xt, yt, size+2, q.Number)
	}
	for _, f := range p.Removed {
		if i := index(plane.Positions, f.Position); i >= 0 {
			x, y := d.at(plane.Positions[i].Angle, drawingRim)
			d.add(`<circle cx="%.1f" cy="%.1f" r="%.1f" fill="none" stroke="#8a3b12" stroke-width="3" stroke-dasharray="4 3"/>`, x, y, size+3)
			d.label(plane.Positions[i].Angle, "off "+grams(f.Mass), len(p.Placed) > 0 && placedAt(p, f.Position))
		}
	}
	for _, q := range p.Placed {
		x, y := d.at(q.Angle, drawingRim)
		d.add(`<circle cx="%.1f" cy="%.1f" r="%.1f" fill="#8a3b12"/>`, x, y, size+1)
		if q.Number > 0 {
			d.add(`<text x="%.1f" y="%.1f" text-anchor="middle" dominant-baseline="middle" font-size="%.1f" font-weight="700" fill="#fbfaf6">%d</text>`, x, y, size+2, q.Number)
		}
		d.label(q.Angle, grams(q.Mass), false)
	}
}

func placedAt(p Placement, number int) bool {
	for _, q := range p.Placed {
		if q.Number == number {
			return true
		}
	}
	return false
}

// label writes a mass and its angle outside the rim, clear of the mark; a second
// one at the same place stands beyond the first.
func (d *drawing) label(angle float64, text string, second bool) {
	const c = drawingSize / 2
	x, y := d.at(angle, drawingRim+22)
	deg := degrees(d.v.Convention.Degrees(angle))
	anchor := "middle"
	switch beside := math.Abs(x-c) >= 50; {
	case beside && x > c:
		anchor = "start"
	case beside:
		anchor = "end"
	case y < c: // above the mark, in one line
		y = c - drawingRim - 44
		if second {
			y -= drawingText + 4
		}
		d.add(`<text x="%.1f" y="%.1f" text-anchor="middle" font-weight="700" fill="#8a3b12">%s <tspan font-weight="400">%s&#176;</tspan></text>`, x, y, esc(text), deg)
		return
	default:
		y += 12
	}
	if second {
		y += 2 * drawingText
	}
	d.add(`<text x="%.1f" y="%.1f" text-anchor="%s" font-weight="700" fill="#8a3b12">%s<tspan x="%.1f" dy="%d" font-weight="400">%s&#176;</tspan></text>`,
		x, y, anchor, esc(text), x, drawingText, deg)
}
