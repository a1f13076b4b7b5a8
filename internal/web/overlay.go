package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"

	"counterpoise/internal/picture"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
	"counterpoise/internal/station"
)

// Overlay is the spectra of one sensor in two readings, laid over each other.
type Overlay struct {
	Sensor  string
	Picture string // address of the picture, without its ending
	About   string
	Unit    string
	Peaks   []OverlayPeak
	Note    string
}

// OverlayPeak is a named peak and its level in both readings.
type OverlayPeak struct {
	Frequency, Name, A, B string
}

// laid is what an overlay is drawn from.
type laid struct {
	sensor string
	unit   string
	a, b   spectrum.Spectrum
	scale  Scale
	peaks  []Peak // of both, the first reading's before the second's own
	hi     float64
}

// lay finds the spectra of every sensor that both readings kept.
func (p pair) lay(ctx context.Context, v View) (out []laid, err error) {
	speedA, as, err := p.benchA.spectraOf(ctx, p.a.run.Event)
	if err != nil {
		return nil, err
	}
	speedB, bs, err := p.benchB.spectraOf(ctx, p.b.run.Event)
	if err != nil {
		return nil, err
	}
	for _, sen := range p.a.state.Setup.Sensors {
		x, okX := spectrumNamed(as, sen.Name)
		y, okY := spectrumNamed(bs, sen.Name)
		if !okX || !okY {
			continue
		}
		l := laid{sensor: sen.Name, scale: v.Scale, unit: v.Scale.Label()}
		var errX, errY error
		l.a, errX = x.In(v.Scale.Unit.Quantity)
		l.b, errY = y.In(v.Scale.Unit.Quantity)
		if errX != nil || errY != nil {
			if x.Quantity != y.Quantity {
				continue
			}
			l.a, l.b, l.scale, l.unit = x, y, scale("raw", rotor.Peak), "raw peak"
		}
		m := p.a.state.Setup.Machine
		l.peaks = peaksOf(l.a, m, still(speedA), l.scale)
		for _, k := range peaksOf(l.b, p.b.state.Setup.Machine, still(speedB), l.scale) {
			if !near(l.peaks, k, l.a.Step) {
				l.peaks = append(l.peaks, k)
			}
		}
		// Ten times the speed holds what a fan's unbalance, misalignment and blades
		// usually show; higher up is rarely what a balancer compares.
		l.hi = math.Max(10*speedA, 10*speedB) / (2 * math.Pi)
		if b := float64(m.Blades) * 2.5 * speedA / (2 * math.Pi); b > l.hi {
			l.hi = b
		}
		l.hi = math.Min(l.hi, math.Max(l.a.Step*float64(len(l.a.Peak)-1), l.b.Step*float64(len(l.b.Peak)-1)))
		out = append(out, l)
	}
	return out, nil
}

// still is a snapshot that only knows its speed, for naming peaks.
func still(speed float64) *station.Snapshot {
	return &station.Snapshot{Motion: station.Turning, Speed: speed}
}

func spectrumNamed(list []spectrum.Spectrum, name string) (spectrum.Spectrum, bool) {
	for _, s := range list {
		if s.Channel == name {
			return s, true
		}
	}
	return spectrum.Spectrum{}, false
}

func near(list []Peak, p Peak, step float64) bool {
	for _, k := range list {
		if math.Abs(k.Hz-p.Hz) < 2*step {
			return true
		}
	}
	return false
}

// overlayPeaks is how many peaks an overlay lists.
const overlayPeaks = 8

func (p pair) overlays(ctx context.Context, v View) (out []Overlay, err error) {
	list, err := p.lay(ctx, v)
	for _, l := range list {
		o := Overlay{Sensor: l.sensor, Unit: l.unit, Note: fmt.Sprintf(say("compare.spectrum.note"), l.a.Seconds, l.b.Seconds, l.a.Step), About: l.about(p)}
		for _, k := range l.peaks[:min(len(l.peaks), overlayPeaks)] {
			o.Peaks = append(o.Peaks, OverlayPeak{plain(k.Hz, 4, "").Text + " " + say("spectrum.hz"), k.Name, l.at(l.a, k.Hz), l.at(l.b, k.Hz)})
		}
		q := url.Values{"a": {fmt.Sprint(p.a.run.Event)}, "b": {fmt.Sprint(p.b.run.Event)}, "with": {p.benchB.id}, "channel": {l.sensor}}
		o.Picture = "?" + q.Encode()
		out = append(out, o)
	}
	return out, err
}

// at is the level of the largest line beside a frequency.
func (l laid) at(s spectrum.Spectrum, hz float64) string {
	most, mid := 0.0, int(math.Round(hz/s.Step))
	for i := max(0, mid-1); i <= mid+1 && i < len(s.Peak); i++ {
		most = math.Max(most, s.Peak[i])
	}
	return plain(most*l.scale.factor(), 3, "").Text
}

// about is what a person is told who does not see the picture.
func (l laid) about(p pair) string {
	var parts []string
	for _, k := range l.peaks[:min(len(l.peaks), 4)] {
		parts = append(parts, fmt.Sprintf("%s %s: %s → %s", plain(k.Hz, 4, "").Text+" "+say("spectrum.hz"), k.Name, l.at(l.a, k.Hz), l.at(l.b, k.Hz)))
	}
	return fmt.Sprintf(say("compare.spectrum.about"), l.sensor, p.a.run.Name, p.b.run.Name, l.unit, strings.Join(parts, "; "))
}

func (l laid) picture(p pair) picture.Picture {
	out := picture.Spectrum{Head: picture.Head{Title: l.sensor, About: l.about(p)}, XLabel: say("spectrum.hz"), YLabel: l.unit, Hi: l.hi}
	for i, s := range []spectrum.Spectrum{l.a, l.b} {
		y := make([]float64, len(s.Peak))
		for k, v := range s.Peak {
			y[k] = v * l.scale.factor()
		}
		name := p.a.run.Name
		if i == 1 {
			name = p.b.run.Name
		}
		out.Lines = append(out.Lines, picture.SpectrumLines{Name: name, Step: s.Step, Y: y})
	}
	for _, k := range l.peaks {
		out.Peaks = append(out.Peaks, picture.PeakName{X: k.Hz, Name: k.Short})
	}
	return out
}

// comparePicture draws the spectra of one sensor in two readings.
func (s *Server) comparePicture(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	p, err := s.pairOf(r.Context(), r.URL.Query(), b)
	var list []laid
	if err == nil {
		list, err = p.lay(r.Context(), v)
	}
	if err != nil {
		s.fail(w, r, http.StatusNotFound, err.Error())
		return
	}
	for _, l := range list {
		if l.sensor == r.URL.Query().Get("channel") {
			s.draw(w, r, l.picture(p))
			return
		}
	}
	s.fail(w, r, http.StatusNotFound, say("compare.nospectrum"))
}

// svgPolicy lets a picture that is opened by itself use the style attributes
// that its drawer writes, and nothing else.
const svgPolicy = "default-src 'none'; style-src 'unsafe-inline'; sandbox"

// draw answers with a picture, in the form that the address ends with.
func (s *Server) draw(w http.ResponseWriter, r *http.Request, p picture.Picture) {
	var b strings.Builder
	kind, write := "image/svg+xml", picture.SVG
	if strings.HasSuffix(r.URL.Path, ".pdf") {
		kind, write = "application/pdf", picture.PDF
	}
	if err := write(&b, p); err != nil {
		code := http.StatusInternalServerError
		if errors.Is(err, picture.ErrEmpty) {
			code = http.StatusNotFound
		}
		s.fail(w, r, code, err.Error())
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Security-Policy", svgPolicy)
	w.Write([]byte(b.String()))
}
