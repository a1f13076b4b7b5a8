package picture

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// spectrum1600 is a noise floor with a 1x, its double and a blade pass in it.
func spectrum1600() Spectrum {
	rng := rand.New(rand.NewPCG(1, 2))
	y := make([]float64, 1600)
	for i := range y {
		y[i] = .01 + .02*rng.Float64()
	}
	y[66], y[132], y[528] = 2.4, .5, .9
	return Spectrum{Head: Head{"Spectrum of DE-H", "The largest peak is 1x."}, XLabel: "Hz", YLabel: "mm/s rms",
		Lines: []SpectrumLines{{Name: "as found", Step: .375, Y: y}}, Peaks: []PeakName{{24.75, "1x"}, {49.5, "2x"}, {50, "line"}, {198, "blades"}}}
}

func two() Spectrum {
	s := spectrum1600()
	low := append([]float64(nil), s.Lines[0].Y...)
	low[66] = .2
	s.Lines = append(s.Lines, SpectrumLines{Name: "proof", Step: .375, Y: low})
	s.Hi = 250
	return s
}

func polar() Polar {
	return Polar{Head: Head{"1x since the job began", "DE-H 1.2 mm/s rms at 63°."}, Unit: "mm/s rms", Mark: "mark", Vectors: []Vector{
		{Name: "DE-H", At: 1.2i, Major: .2, Minor: .1, Turn: .4, Limit: .7, Path: []complex128{3, 2.5 + 1i, 2 + 1.4i, 1.2i}, Stops: []Stop{{"1", 3}, {"2", 2 + 1.4i}}},
		{Name: "NDE-H", At: -.8 - .5i, Major: .1, Minor: .1, Path: []complex128{-2, -1 - .5i}},
	}}
}

func trend() Trend {
	t := Trend{Head: Head{"Last minutes", "Falling."}, XLabel: "min", YLabel: "mm/s rms"}
	a, b := Series{Name: "DE-H"}, Series{Name: "NDE-H"}
	for i := range 300 {
		t.X = append(t.X, float64(i-299)/60)
		a.Y, b.Y = append(a.Y, 3-float64(i)/200+.05*math.Sin(float64(i))), append(b.Y, 1+.1*math.Cos(float64(i)/9))
	}
	a.Y[100] = math.NaN()
	t.Series = []Series{a, b}
	return t
}

func bode() Bode {
	b := Bode{Head: Head{"Run-up", "A resonance at 900 rpm."}, XLabel: "rpm", AmplitudeLabel: "mm/s rms", PhaseLabel: "°", Sensors: []Sweep{{Name: "DE-H"}}}
	for i := range 200 {
		n := 200 + 6*float64(i)
		r := n / 900
		re, im := 1-r*r, 2*.05*r
		b.Speed = append(b.Speed, n)
		b.Sensors[0].Amplitude = append(b.Sensors[0].Amplitude, r*r/math.Hypot(re, im))
		b.Sensors[0].Phase = append(b.Sensors[0].Phase, math.Mod(700-math.Atan2(im, re)*180/math.Pi, 360))
	}
	return b
}

var all = map[string]Picture{"spectrum": spectrum1600(), "compare": two(), "polar": polar(), "trend": trend(), "bode": bode()}

func svgOf(t *testing.T, p Picture) string {
	t.Helper()
	var b bytes.Buffer
	if err := SVG(&b, p); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Every picture is well-formed, says what it shows to who cannot see it, fetches
// nothing from anywhere, comes out the same twice and has its PDF beside it.
func TestEveryPicture(t *testing.T) {
	for name, p := range all {
		t.Run(name, func(t *testing.T) {
			svg := svgOf(t, p)
			for d := xml.NewDecoder(strings.NewReader(svg)); ; {
				_, err := d.Token()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatalf("not well-formed: %v", err)
				}
			}
			title, about := p.head()
			for _, want := range []string{`role="img"`, "<title id=\"title\">" + title, about + "</desc>"} {
				if !strings.Contains(svg, want) {
					t.Errorf("the SVG lacks %q", want)
				}
			}
			if i := strings.Index(strings.ReplaceAll(svg, `xmlns="http://www.w3.org/2000/svg"`, ""), "http"); i >= 0 {
				t.Error("the SVG refers to something outside")
			}
			if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
				t.Error("the SVG holds what is no number")
			}
			if again := svgOf(t, p); again != svg {
				t.Error("drawn twice it differs")
			}
			var pdf bytes.Buffer
			if err := PDF(&pdf, p); err != nil || !bytes.HasPrefix(pdf.Bytes(), []byte("%PDF-")) || !bytes.Contains(pdf.Bytes(), []byte("%%EOF")) {
				t.Errorf("no PDF: %v, %d bytes", err, pdf.Len())
			}
			if dir := os.Getenv("COUNTERPOISE_SHOTS"); dir != "" {
				os.WriteFile(filepath.Join(dir, "picture-"+name+".svg"), []byte(svg), 0o644)
				os.WriteFile(filepath.Join(dir, "picture-"+name+".pdf"), pdf.Bytes(), 0o644)
			}
		})
	}
}

// A name is text and never markup.
func TestNamesAreText(t *testing.T) {
	s := spectrum1600()
	s.Title, s.About, s.Peaks[0].Name = `<script>&"`, `<b>`, `<i>`
	svg := svgOf(t, s)
	for _, bad := range []string{"<script", "<b>", "<i>"} {
		if strings.Contains(svg, bad) {
			t.Errorf("%q came through", bad)
		}
	}
}

// The mark is at the top and a vector 90 degrees ahead of it points left: the
// rotor turns anticlockwise in the picture, whichever way angles are counted.
func TestPolarStandsTheRightWay(t *testing.T) {
	where := func(p Polar, word string) (x, y float64) {
		t.Helper()
		m := regexp.MustCompile(`<text x="([-0-9.e+]+)" y="([-0-9.e+]+)"[^>]*>` + regexp.QuoteMeta(word) + `</text>`).FindStringSubmatch(svgOf(t, p))
		if m == nil {
			t.Fatalf("no %q in the picture", word)
		}
		x, _ = strconv.ParseFloat(m[1], 64)
		y, _ = strconv.ParseFloat(m[2], 64)
		return x, y // y grows downwards
	}
	for _, against := range []bool{false, true} {
		p := Polar{Unit: "mm/s", Mark: "mark", Against: against, Vectors: []Vector{{Name: "one", At: 1}, {Name: "two", At: 1i}}}
		mx, my := where(p, "mark 0°")
		ax, ay := where(p, "A")
		bx, by := where(p, "B")
		if !(math.Abs(ax-mx) < 30 && ay > my && ay < by && bx < ax-50) {
			t.Errorf("mark (%g, %g), 0° (%g, %g), 90° (%g, %g)", mx, my, ax, ay, bx, by)
		}
		left := "90°"
		if against {
			left = "270°"
		}
		if lx, _ := where(p, left); !(lx < mx-50) {
			t.Errorf("against %v: %s stands at x = %g, the mark at %g", against, left, lx, mx)
		}
	}
}

// Nothing to show is said, not drawn.
func TestEmptyPictures(t *testing.T) {
	for _, p := range []Picture{Spectrum{}, Polar{}, Trend{}, Bode{}, Polar{Vectors: []Vector{{At: complex(math.NaN(), 0)}}}, Spectrum{Lines: []SpectrumLines{{Step: 1, Y: []float64{math.NaN()}}}}} {
		if err := SVG(io.Discard, p); !errors.Is(err, ErrEmpty) {
			t.Errorf("%T: %v", p, err)
		}
		if err := PDF(io.Discard, p); !errors.Is(err, ErrEmpty) {
			t.Errorf("%T as PDF: %v", p, err)
		}
	}
}

// A phase that steps over 360° is drawn in pieces.
func TestPhaseIsNotDrawnAcross(t *testing.T) {
	got := turns([]float64{350, 358, 3, 9, 350})
	if len(got) != 3 || !math.IsNaN(got[0][2]) || got[1][2] != 3 || got[1][3] != 9 || got[2][4] != 350 {
		t.Errorf("pieces %v", got)
	}
}

// BenchmarkSpectrum draws 1,600 lines; the size is that of the written document.
func BenchmarkSpectrum(b *testing.B) {
	for _, form := range []struct {
		name string
		f    func(io.Writer, Picture) error
	}{{"SVG", SVG}, {"PDF", PDF}} {
		b.Run(form.name, func(b *testing.B) {
			s := spectrum1600()
			var out bytes.Buffer
			for b.Loop() {
				out.Reset()
				if err := form.f(&out, s); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(out.Len()), "bytes")
		})
	}
}
