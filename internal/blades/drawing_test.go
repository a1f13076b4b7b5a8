package blades

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

// wellFormed reads the drawing as XML and gathers the texts with their places.
func wellFormed(t *testing.T, svg string) map[string][2]float64 {
	t.Helper()
	out := map[string][2]float64{}
	dec := xml.NewDecoder(strings.NewReader(svg))
	var at [2]float64
	inText := false
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatalf("the drawing is not XML: %v", err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			inText = e.Name.Local == "text"
			for _, a := range e.Attr {
				switch a.Name.Local {
				case "x":
					fmt.Sscan(a.Value, &at[0])
				case "y":
					fmt.Sscan(a.Value, &at[1])
				}
			}
		case xml.CharData:
			if inText {
				out[strings.TrimSpace(string(e))] = at
			}
		case xml.EndElement:
			inText = false
		}
	}
}

// The next blade stands at the top; with numbers and rotation both clockwise the
// following number stands to its right, and every reversal mirrors that once.
func TestDrawingShowsTheNextBladeAtThePointer(t *testing.T) {
	for _, c := range []struct {
		numbering rotor.Convention
		anti      bool
		right     bool
	}{
		{rotor.WithRotation, false, true}, {rotor.AgainstRotation, false, false},
		{rotor.WithRotation, true, false}, {rotor.AgainstRotation, true, true},
	} {
		s := &Survey{Blades: 6, Blade1: 1, Numbering: c.numbering}
		texts := wellFormed(t, s.Drawing(Picture{Next: 3, Done: []int{1, 2}, Anticlockwise: c.anti}))
		for n := 1; n <= 6; n++ {
			if _, ok := texts[fmt.Sprint(n)]; !ok {
				t.Errorf("blade %d has no number", n)
			}
		}
		near(t, "next blade, x", texts["3"][0], cx, 0.2)
		if !(texts["3"][1] < texts["6"][1]) {
			t.Error("the next blade must stand at the top")
		}
		if got := texts["4"][0] > cx; got != c.right {
			t.Errorf("numbers %v, anticlockwise %v: blade 4 stands right: %v, want %v", c.numbering, c.anti, got, c.right)
		}
	}
}

func TestDrawingOfEverySize(t *testing.T) {
	for n := MinBlades; n <= MaxBlades; n++ {
		for _, side := range []Side{Downstream, Upstream} {
			s := &Survey{Blades: n, Side: side}
			svg := s.Drawing(Picture{Next: n, Asked: []int{1}, Move: []int{2}})
			wellFormed(t, svg)
			if want := s.Side == Upstream; strings.Contains(svg, "outlet side") != want {
				t.Errorf("%d blades: the ruler stands on the wrong side", n)
			}
			if strings.Contains(svg, "NaN") || strings.Count(svg, `class="blade`) != n+1 {
				t.Errorf("%d blades: drawing is not whole", n)
			}
		}
	}
}
