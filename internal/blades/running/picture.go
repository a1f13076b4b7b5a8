package running

import (
	"fmt"
	"math"
	"strings"

	"counterpoise/internal/rotor"
)

// Picture draws the heights of the running blades side by side as the sensor
// sees them pass: a bar is a blade with its 95 % interval, a hollow diamond what
// the ruler read at standstill (c may be nil), a dashed frame a blade that was
// not seen. It is a complete SVG element that takes its colours from the page
// (--ink, --paper, --strong) and needs no colour to be read.
func (r *Result) Picture(c *Comparison) string {
	const top, height, left, least, each = 66.0, 200.0, 50.0, 332.0, 32.0
	width := math.Max(least, left+26+each*float64(len(r.Blades))) // a few blades fit a telephone
	var b strings.Builder
	put := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	most := 1e-4
	for i, x := range r.Blades {
		if x.Seen {
			most = math.Max(most, math.Abs(x.Height)+r.Interval95(x.HeightSD))
		}
		if c != nil && !math.IsNaN(c.Blades[i].Static) {
			most = math.Max(most, math.Abs(c.Blades[i].Static))
		}
	}
	put(`<svg xmlns="http://www.w3.org/2000/svg" width="%g" height="%g" viewBox="0 0 %g %g" preserveAspectRatio="xMinYMid" role="img" class="track-picture" font-family="system-ui, sans-serif" font-size="13" fill="none" stroke="var(--ink, #222)">`, width, top+height+48, width, top+height+48)
	put(`<title>Heights of %d running blades from their mean at %.0f rpm</title>`, len(r.Blades), rotor.RPM(r.Speed))
	text := func(x, y float64, anchor, what string) {
		put(`<text x="%.1f" y="%.1f" text-anchor="%s" stroke="none" fill="var(--ink, #222)">%s</text>`, x, y, anchor, what)
	}
	text(4, 18, "start", fmt.Sprintf("heights from their mean, mm; %.0f rpm, %d turns", rotor.RPM(r.Speed), r.Turns))
	text(4, 36, "start", "up is downstream; whiskers are 95 % intervals")
	if c != nil {
		text(4, 54, "start", "diamonds: at standstill; bold frames stand out")
	}
	y := func(h float64) float64 { return top + height/2*(1-h/most) }
	for _, h := range []float64{-1, -0.5, 0, 0.5, 1} {
		put(`<path d="M%g %.1f H%g" stroke-width="0.5"/>`, left, y(h*most), width-10)
		text(left-6, y(h*most)+4, "end", fmt.Sprintf("%+.2f", h*most*1e3))
	}
	step := (width - left - 20) / float64(len(r.Blades))
	for i, x := range r.Blades {
		mid := left + 10 + step*(float64(i)+0.5)
		w := math.Min(34, 0.56*step)
		if len(r.Blades) <= 24 || i == 0 || (i+1)%5 == 0 {
			text(mid, top+height+18, "middle", fmt.Sprint(x.Number))
		}
		if !x.Seen {
			put(`<rect class="unseen" x="%.1f" y="%g" width="%.1f" height="%g" stroke-dasharray="4 4"/>`, mid-w/2, top, w, height)
			text(mid, top+height/2, "middle", "?")
			continue
		}
		a, z := math.Min(y(x.Height), y(0)), math.Max(y(x.Height), y(0))
		line := 1.2
		if c != nil && c.Blades[i].StandsOut {
			line = 3
		}
		put(`<rect class="blade" x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="var(--ink, #222)" fill-opacity="0.18" stroke-width="%g"/>`, mid-w/2, a, w, math.Max(z-a, 1), line)
		d := r.Interval95(x.HeightSD)
		put(`<path d="M%.1f %.1f V%.1f m-4 0 h8 M%.1f %.1f h8" stroke="var(--strong, #000)" stroke-width="1.6"/>`, mid, y(x.Height+d), y(x.Height-d), mid-4, y(x.Height+d))
		if c != nil && !math.IsNaN(c.Blades[i].Static) {
			put(`<path class="standstill" d="M%.1f %.1f l5 5 l-5 5 l-5 -5 z" fill="var(--paper, #fff)"/>`, mid, y(c.Blades[i].Static)-5)
		}
	}
	text(left+(width-left)/2, top+height+40, "middle", "blade")
	put("</svg>")
	return b.String()
}
