package sweep

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"counterpoise/internal/rotor"
)

// Drawing draws order 1 of a channel against speed: amplitude and phase (Bode),
// and the path of the vector (polar). Dots are turns, the line is what the modes
// answer at steady speed, dashed lines stand at the resonances. Each picture is
// a complete SVG element that takes its colours from the page (--ink, --paper,
// --strong) and needs no colour to be read. Without a Fit only dots are drawn.
type Drawing struct {
	Sweep      *Sweep
	Fit        *Fit // nil while the sweep is still growing
	Channel    int  // of Fit.Channels; without a Fit of Sweep.Channels
	Convention rotor.Convention
	Unit       rotor.Unit // without a name: the usual one of the channel
	Detector   rotor.Detector
}

// Measures of the pictures, in their own units: as wide as a telephone, so that
// the letters can be read there.
const (
	bodeW, bodeH     = 400.0, 440.0
	leftEdge, plotW  = 52.0, 336.0
	ampTop, ampH     = 28.0, 190.0
	phaseTop, phaseH = 250.0, 140.0
	polarW, polarH   = 400.0, 400.0
	polarX, polarY   = 200.0, 186.0
	polarR           = 150.0
	mostDots         = 600
	curveSteps       = 400
	highSteady       = 2.0 // times what was seen that the steady answer may stand higher and still be drawn whole
)

// Bode is amplitude and phase against speed.
func (d Drawing) Bode() string {
	p := d.prepare()
	p.begin(bodeW, bodeH, fmt.Sprintf("%s: amplitude and phase of 1x against speed", p.name))
	if p.drawable(bodeW, bodeH) {
		p.bodeAxes()
		p.resonances(d.Fit)
		p.dots(func(x float64, v complex128) string {
			return fmt.Sprintf("M%.1f %.1fh0M%.1f %.1fh0", x, p.amp(v), x, p.deg(v))
		})
		p.bodeCurve()
	}
	p.put("</svg>")
	return p.String()
}

// Polar is the path of the vector, its angles as in the other polar pictures:
// the mark at the top, growing anticlockwise with rotation, clockwise against it.
func (d Drawing) Polar() string {
	p := d.prepare()
	p.begin(polarW, polarH, fmt.Sprintf("%s: path of the 1x vector over the speed", p.name))
	if p.drawable(polarW, polarH) {
		p.polarAxes()
		p.dots(func(_ float64, v complex128) string {
			x, y := p.polar(v)
			return fmt.Sprintf("M%.1f %.1fh0", x, y)
		})
		p.polarCurve()
	}
	p.put("</svg>")
	return p.String()
}

// Whole is both side by side.
func (d Drawing) Whole() string {
	var b strings.Builder
	put := func(x, w, h float64, svg string) {
		fmt.Fprintf(&b, "%s\n", strings.Replace(svg, "<svg ", fmt.Sprintf(`<svg x="%g" y="0" width="%g" height="%g" `, x, w, h), 1))
	}
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" role="img" class="sweep-picture">`+"\n", bodeW+polarW, bodeH)
	put(0, bodeW, bodeH, d.Bode())
	put(bodeW, polarW, polarH, d.Polar())
	b.WriteString("</svg>\n")
	return b.String()
}

type picture struct {
	strings.Builder
	c           rotor.Convention
	name, label string
	scale, top  float64
	low, high   float64 // rad/s
	speeds      []float64
	turns       []complex128
	curveW      []float64
	curve       []complex128
}

// prepare gathers what is drawn, in the unit in which it is drawn.
func (d Drawing) prepare() *picture {
	index := d.Channel
	if d.Fit != nil {
		index = d.Fit.index[d.Channel]
	}
	ch := d.Sweep.Channels[index]
	unit, detector := d.Unit, d.Detector
	if unit.Name == "" || ch.Quantity == rotor.Raw {
		unit, detector = shown(ch.Quantity)
	}
	p := &picture{c: d.Convention, name: ch.Name, scale: unit.PerSI * detector.OfPeak(), label: fmt.Sprintf("%s %s", unit.Name, detector)}
	if ch.Quantity == rotor.Raw {
		p.label = "as recorded"
	}
	p.speeds, p.turns = d.Sweep.Curve(index, 1)
	p.low, p.high = math.Inf(1), 0
	for i, w := range p.speeds {
		p.turns[i] = inUnit(p.turns[i], ch.Quantity, unit.Quantity, w) * complex(p.scale, 0)
		p.low, p.high = math.Min(p.low, w), math.Max(p.high, w)
		p.top = math.Max(p.top, cmplx.Abs(p.turns[i]))
	}
	if d.Fit == nil || !(p.high > p.low) {
		return p
	}
	seen := p.top
	for i := range curveSteps + 1 {
		w := p.low + (p.high-p.low)*float64(i)/curveSteps
		v := inUnit(d.Fit.Value(d.Channel, w), ch.Quantity, unit.Quantity, w) * complex(p.scale, 0)
		p.curveW, p.curve = append(p.curveW, w), append(p.curve, v)
		// The steady answer stands above what a quick sweep reached.
		p.top = math.Max(p.top, math.Min(highSteady*seen, cmplx.Abs(v)))
	}
	return p
}

// shown is the unit in which a quantity is drawn.
func shown(q rotor.Quantity) (rotor.Unit, rotor.Detector) {
	switch q {
	case rotor.Acceleration, rotor.Velocity:
		return rotor.DefaultUnit(rotor.Velocity), rotor.RMS
	case rotor.Displacement:
		return rotor.DefaultUnit(q), rotor.PeakToPeak
	}
	return rotor.DefaultUnit(q), rotor.Peak
}

func inUnit(v complex128, from, to rotor.Quantity, w float64) complex128 {
	if from != to {
		if z, err := rotor.Convert(v, from, to, w); err == nil {
			return z
		}
	}
	return v
}

func (p *picture) put(format string, args ...any) { fmt.Fprintf(p, format+"\n", args...) }

func (p *picture) begin(w, h float64, title string) {
	p.put(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" role="img" class="sweep-picture" font-family="system-ui, sans-serif" font-size="13" fill="none" stroke="var(--ink, #222)">`, w, h)
	p.put(`<title>%s</title>`, escape(title))
}

// drawable writes why there is nothing to draw.
func (p *picture) drawable(w, h float64) bool {
	if len(p.speeds) < 2 || !(p.top > 0) || !(p.high > p.low) {
		p.text(w/2, h/2, "middle", "no revolution to draw")
		return false
	}
	return true
}

func (p *picture) text(x, y float64, anchor, what string) {
	p.put(`<text x="%.1f" y="%.1f" text-anchor="%s" stroke="none" fill="var(--ink, #222)">%s</text>`, x, y, anchor, escape(what))
}

func escape(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(s)
}

func (p *picture) x(w float64) float64 { return leftEdge + plotW*(w-p.low)/(p.high-p.low) }

func (p *picture) amp(v complex128) float64 {
	return ampTop + ampH*(1-math.Min(1.05, cmplx.Abs(v)/p.rim()))
}

func (p *picture) deg(v complex128) float64 {
	_, d := p.c.Polar(v)
	return phaseTop + phaseH*(1-d/360)
}

// rim is the end of the amplitude's axis.
func (p *picture) rim() float64 { return nice(p.top) }

// nice is the next of 1, 1.5, 2, 3, 4, 5, 6, 8 times a power of ten.
func nice(v float64) float64 {
	e := math.Pow(10, math.Floor(math.Log10(v)))
	for _, k := range []float64{1, 1.5, 2, 3, 4, 5, 6, 8} {
		if k*e >= v {
			return k * e
		}
	}
	return 10 * e
}

func (p *picture) bodeAxes() {
	p.put(`<rect x="%g" y="%g" width="%g" height="%g"/><rect x="%g" y="%g" width="%g" height="%g"/>`, leftEdge, ampTop, plotW, ampH, leftEdge, phaseTop, plotW, phaseH)
	p.text(leftEdge, ampTop-10, "start", p.name+", 1x, "+p.label)
	p.text(leftEdge, phaseTop-8, "start", "phase, degrees "+strings.ReplaceAll(p.c.String(), "-", " "))
	for i := 0; i <= 4; i++ {
		y := ampTop + ampH*(1-float64(i)/4)
		p.put(`<path d="M%g %.1f h-5"/>`, leftEdge, y)
		p.text(leftEdge-8, y+4, "end", fmt.Sprintf("%.3g", p.rim()*float64(i)/4))
		y = phaseTop + phaseH*(1-float64(i)/4)
		p.put(`<path d="M%g %.1f h-5"/>`, leftEdge, y)
		p.text(leftEdge-8, y+4, "end", fmt.Sprint(90*i))
	}
	step := nice(rotor.RPM(p.high-p.low) / 5)
	for n := math.Ceil(rotor.RPM(p.low)/step) * step; n <= rotor.RPM(p.high); n += step {
		x := p.x(rotor.RadPerSecond(n))
		p.put(`<path d="M%.1f %g v5"/>`, x, phaseTop+phaseH)
		p.text(x, phaseTop+phaseH+19, "middle", fmt.Sprintf("%g", n))
	}
	p.text(leftEdge+plotW/2, phaseTop+phaseH+39, "middle", "revolutions per minute")
}

func (p *picture) polarAxes() {
	for _, share := range []float64{0.5, 1} {
		p.put(`<circle cx="%g" cy="%g" r="%g" stroke-width="%g"/>`, polarX, polarY, polarR*share, share)
	}
	p.put(`<path d="M%g %g h%g M%g %g v%g" stroke-width="0.5"/>`, polarX-polarR, polarY, 2*polarR, polarX, polarY-polarR, 2*polarR)
	for i := range 4 {
		x, y := p.at(polarR+16, float64(i)*90)
		p.text(x, y+4, "middle", fmt.Sprint(90*i))
	}
	p.text(polarX, polarY+polarR+44, "middle", fmt.Sprintf("path of the vector; rim = %.3g %s", p.rim(), p.label))
}

// at is a place in the polar picture: the mark at the top; the rotor turns
// anticlockwise, so angles with rotation grow that way.
func (p *picture) at(r, deg float64) (x, y float64) {
	s, c := math.Sincos(p.c.Radians(deg))
	return polarX - r*s, polarY - r*c
}

func (p *picture) polar(v complex128) (x, y float64) {
	a, d := p.c.Polar(v)
	return p.at(polarR*math.Min(1.05, a/p.rim()), d)
}

func (p *picture) dots(place func(x float64, v complex128) string) {
	var d strings.Builder
	for i := 0; i < len(p.turns); i += 1 + len(p.turns)/mostDots {
		d.WriteString(place(p.x(p.speeds[i]), p.turns[i]))
	}
	p.put(`<path class="turns" d="%s" stroke-width="3.2" stroke-linecap="round" stroke-opacity="0.55"/>`, d.String())
}

func (p *picture) line(d string) {
	if d != "" {
		p.put(`<path class="modes" d="%s" stroke="var(--strong, #000)" stroke-width="1.6"/>`, d)
	}
}

func (p *picture) bodeCurve() {
	var amp, deg strings.Builder
	before := math.NaN()
	for i, v := range p.curve {
		x, y := p.x(p.curveW[i]), p.deg(v)
		word := "L"
		if i == 0 {
			word = "M"
		}
		fmt.Fprintf(&amp, "%s%.1f %.1f", word, x, p.amp(v))
		if math.Abs(y-before) > phaseH/2 { // over 360 degrees
			word = "M"
		}
		before = y
		fmt.Fprintf(&deg, "%s%.1f %.1f", word, x, y)
	}
	p.line(amp.String() + deg.String())
}

func (p *picture) polarCurve() {
	var path strings.Builder
	word := "M"
	for _, v := range p.curve {
		x, y := p.polar(v)
		fmt.Fprintf(&path, "%s%.1f %.1f", word, x, y)
		word = "L"
	}
	p.line(path.String())
}

// resonances are named at their dashed lines, by turns higher and lower, so
// that close ones do not cover each other.
func (p *picture) resonances(f *Fit) {
	if f == nil {
		return
	}
	n := 0
	for _, m := range f.Modes {
		if !m.Inside {
			continue
		}
		x := p.x(m.Speed)
		p.put(`<path class="resonance" d="M%.1f %g V%g" stroke-dasharray="5 4"/>`, x, ampTop, phaseTop+phaseH)
		anchor, off := "start", 3.0
		if x > leftEdge+plotW-36 {
			anchor, off = "end", -3
		}
		p.text(x+off, ampTop+14+float64(n%3)*15, anchor, fmt.Sprintf("%.0f", rotor.RPM(m.Speed)))
		n++
	}
}
