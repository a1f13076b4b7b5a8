package sweep

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"counterpoise/internal/rotor"
)

// Measures of the picture, in its own units.
const (
	picW, picH       = 720.0, 460.0
	leftEdge, plotW  = 58.0, 380.0
	ampTop, ampH     = 30.0, 210.0
	phaseTop, phaseH = 270.0, 140.0
	polarX, polarY   = 585.0, 190.0
	polarR           = 115.0
	mostDots         = 600
	curveSteps       = 400
)

// Picture draws order 1 of a channel (an index of f.Channels) against speed:
// amplitude and phase (Bode), and the path of the vector (polar). Dots are
// turns, the line is what the modes answer at steady speed, dashed lines stand
// at the resonances. It is a complete SVG element that takes its colours from
// the page (--ink, --paper, --strong) and needs no colour to be read. f may be
// nil: then only dots, of channel s.Channels[channel], are drawn.
func Picture(s *Sweep, f *Fit, channel int, c rotor.Convention) string {
	p := &picture{c: c}
	index := channel
	if f != nil {
		index = f.index[channel]
	}
	q := s.Channels[index].Quantity
	unit, detector := shown(q)
	p.scale = unit.PerSI * detector.OfPeak()
	p.label = fmt.Sprintf("%s %s", unit.Name, detector)
	if unit.Name == "" || q == rotor.Raw {
		p.label = "as recorded"
	}
	speeds, vs := s.Curve(index, 1)
	p.low, p.high = math.Inf(1), 0
	for i := range speeds {
		vs[i] = inUnit(vs[i], q, unit.Quantity, speeds[i])
		p.low, p.high = math.Min(p.low, speeds[i]), math.Max(p.high, speeds[i])
		p.top = math.Max(p.top, cmplx.Abs(vs[i])*p.scale)
	}
	for i := range curveSteps + 1 {
		if w := p.low + (p.high-p.low)*float64(i)/curveSteps; f != nil && p.high > p.low {
			// The steady answer stands above what a quick sweep reached.
			p.top = math.Max(p.top, math.Min(2*p.top, p.scale*cmplx.Abs(inUnit(f.Value(channel, w), q, unit.Quantity, w))))
		}
	}
	p.put(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" role="img" class="sweep-picture" font-family="system-ui, sans-serif" font-size="12" fill="none" stroke="var(--ink, #222)">`, picW, picH)
	p.put(`<title>%s: 1x against speed, amplitude, phase and path of the vector</title>`, escape(s.Channels[index].Name))
	if len(speeds) < 2 || !(p.top > 0) || !(p.high > p.low) {
		p.text(picW/2, picH/2, "middle", "no revolution to draw")
		p.put("</svg>")
		return p.String()
	}
	p.axes(s.Channels[index].Name)
	p.dots(speeds, vs)
	if f != nil {
		p.curve(f, channel, q, unit.Quantity)
		p.resonances(f)
	}
	p.put("</svg>")
	return p.String()
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

type picture struct {
	strings.Builder
	c          rotor.Convention
	scale, top float64
	low, high  float64
	label      string
}

func (p *picture) put(format string, args ...any) { fmt.Fprintf(p, format+"\n", args...) }

func (p *picture) text(x, y float64, anchor, what string) {
	p.put(`<text x="%.1f" y="%.1f" text-anchor="%s" stroke="none" fill="var(--ink, #222)">%s</text>`, x, y, anchor, escape(what))
}

func escape(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(s)
}

func (p *picture) x(w float64) float64 { return leftEdge + plotW*(w-p.low)/(p.high-p.low) }

func (p *picture) amp(v complex128) float64 {
	return ampTop + ampH*(1-math.Min(1.05, cmplx.Abs(v)*p.scale/p.nice()))
}

func (p *picture) deg(v complex128) float64 {
	_, d := p.c.Polar(v)
	return phaseTop + phaseH*(1-d/360)
}

// nice is the end of the amplitude's axis: 1, 2 or 5 times a power of ten.
func (p *picture) nice() float64 { return nice(p.top) }

func nice(v float64) float64 {
	e := math.Pow(10, math.Floor(math.Log10(v)))
	for _, k := range []float64{1, 1.5, 2, 3, 4, 5, 6, 8} {
		if k*e >= v {
			return k * e
		}
	}
	return 10 * e
}

func (p *picture) axes(name string) {
	p.put(`<rect x="%g" y="%g" width="%g" height="%g"/><rect x="%g" y="%g" width="%g" height="%g"/>`, leftEdge, ampTop, plotW, ampH, leftEdge, phaseTop, plotW, phaseH)
	p.text(leftEdge, ampTop-10, "start", name+", 1x, "+p.label)
	p.text(leftEdge, phaseTop-8, "start", "phase, degrees "+strings.ReplaceAll(p.c.String(), "-", " "))
	for i := 0; i <= 4; i++ {
		y := ampTop + ampH*(1-float64(i)/4)
		p.put(`<path d="M%g %.1f h-5"/>`, leftEdge, y)
		p.text(leftEdge-8, y+4, "end", fmt.Sprintf("%.3g", p.nice()*float64(i)/4))
		y = phaseTop + phaseH*(1-float64(i)/4)
		p.put(`<path d="M%g %.1f h-5"/>`, leftEdge, y)
		p.text(leftEdge-8, y+4, "end", fmt.Sprint(90*i))
	}
	step := nice(rotor.RPM(p.high-p.low) / 5)
	for n := math.Ceil(rotor.RPM(p.low)/step) * step; n <= rotor.RPM(p.high); n += step {
		x := p.x(rotor.RadPerSecond(n))
		p.put(`<path d="M%.1f %g v5"/>`, x, phaseTop+phaseH)
		p.text(x, phaseTop+phaseH+18, "middle", fmt.Sprintf("%g", n))
	}
	p.text(leftEdge+plotW/2, phaseTop+phaseH+36, "middle", "revolutions per minute")
	p.put(`<circle cx="%g" cy="%g" r="%g"/><path d="M%g %g h%g M%g %g v%g" stroke-width="0.5"/>`, polarX, polarY, polarR, polarX-polarR, polarY, 2*polarR, polarX, polarY-polarR, 2*polarR)
	for i, t := range []string{"0", "90", "180", "270"} {
		s, c := math.Sincos(float64(i) * math.Pi / 2)
		p.text(polarX+(polarR+14)*s, polarY-(polarR+10)*c+4, "middle", t)
	}
	p.text(polarX, polarY+polarR+40, "middle", fmt.Sprintf("path of the vector, rim = %.3g %s", p.nice(), p.label))
}

// polar is the place of a vector in the polar picture: 0 at the top, angles
// growing clockwise.
func (p *picture) polar(v complex128) (x, y float64) {
	a, d := p.c.Polar(v)
	s, c := math.Sincos(d * math.Pi / 180)
	r := polarR * math.Min(1.05, a*p.scale/p.nice())
	return polarX + r*s, polarY - r*c
}

func (p *picture) dots(speeds []float64, vs []complex128) {
	var d strings.Builder
	for i := 0; i < len(vs); i += 1 + len(vs)/mostDots {
		x := p.x(speeds[i])
		px, py := p.polar(vs[i])
		fmt.Fprintf(&d, "M%.1f %.1fh0M%.1f %.1fh0M%.1f %.1fh0", x, p.amp(vs[i]), x, p.deg(vs[i]), px, py)
	}
	p.put(`<path class="turns" d="%s" stroke-width="3.2" stroke-linecap="round" stroke-opacity="0.55"/>`, d.String())
}

func (p *picture) curve(f *Fit, channel int, from, to rotor.Quantity) {
	var amp, deg, path strings.Builder
	before := math.NaN()
	for i := range curveSteps + 1 {
		w := p.low + (p.high-p.low)*float64(i)/curveSteps
		v := inUnit(f.Value(channel, w), from, to, w)
		word := "L"
		if i == 0 {
			word = "M"
		}
		y := p.deg(v)
		wordDeg := word
		if math.Abs(y-before) > phaseH/2 { // over 360 degrees
			wordDeg = "M"
		}
		before = y
		px, py := p.polar(v)
		fmt.Fprintf(&amp, "%s%.1f %.1f", word, p.x(w), p.amp(v))
		fmt.Fprintf(&deg, "%s%.1f %.1f", wordDeg, p.x(w), y)
		fmt.Fprintf(&path, "%s%.1f %.1f", word, px, py)
	}
	p.put(`<path class="modes" d="%s%s%s" stroke="var(--strong, #000)" stroke-width="1.6"/>`, amp.String(), deg.String(), path.String())
}

func (p *picture) resonances(f *Fit) {
	for _, m := range f.Modes {
		if !m.Inside {
			continue
		}
		x := p.x(m.Speed)
		p.put(`<path class="resonance" d="M%.1f %g V%g" stroke-dasharray="5 4"/>`, x, ampTop, phaseTop+phaseH)
		p.text(x+3, ampTop+12, "start", fmt.Sprintf("%.0f", rotor.RPM(m.Speed)))
	}
}
