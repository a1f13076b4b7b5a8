package place

import (
	"encoding/xml"
	"io"
	"math/cmplx"
	"os"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

func example(t *testing.T) (rotor.Plane, Placement) {
	p := rotor.Plane{Name: "hub front", Radius: 0.3, Positions: holes(16)}
	p.Positions[3].Forbidden = true
	got := must(t, p, cmplx.Rect(0.0834286, deg(308.806)), Options{})
	return p, got
}

// Worked by hand. The rotor turns clockwise as seen: angles with rotation grow
// clockwise, so 270 degrees with rotation is at 9 o'clock; if it turns
// anticlockwise, at 3 o'clock. The same place against rotation reads 90 degrees.
func TestClockFace(t *testing.T) {
	for _, c := range []struct {
		clockwise bool
		deg       float64
		want      string
	}{
		{true, 270, "9 o'clock"}, {false, 270, "3 o'clock"}, {true, 0, "12 o'clock"}, {false, 360, "12 o'clock"},
		{true, 45, "half past 1"}, {true, 22.5, "a quarter to 1"}, {false, 22.5, "a quarter past 11"}, {true, 359, "12 o'clock"}, {true, 352, "a quarter to 12"},
	} {
		if got := oclock(View{Clockwise: c.clockwise}.clock(deg(c.deg))); got != c.want {
			t.Errorf("%v degrees, clockwise %v: %s, want %s", c.deg, c.clockwise, got, c.want)
		}
	}
	for _, c := range []struct {
		v    View
		want string
	}{
		{View{Clockwise: true}, "with rotation, clockwise from the mark"},
		{View{Clockwise: true, Convention: rotor.AgainstRotation}, "against rotation, anticlockwise from the mark"},
		{View{Convention: rotor.AgainstRotation}, "against rotation, clockwise from the mark"},
	} {
		if got := c.v.counted(); got != c.want {
			t.Errorf("%+v: %s, want %s", c.v, got, c.want)
		}
	}
}

func TestWordsOverTheRadio(t *testing.T) {
	_, got := example(t)
	v := View{From: "the motor side", Clockwise: true, Machine: rotor.Machine{Blades: 16, Blade1: deg(90)}}
	words, err := got.Words(v)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		Caution,
		"Plane hub front. Stand at the motor side. Seen from there the rotor turns clockwise. Turn it by hand until the mark is at 12 o'clock; then blade 1 is at 90 degrees, 3 o'clock. Degrees are counted with rotation, clockwise from the mark.",
		"Put on: place 14 (one four), 23.5 grams (two three decimal five), at 292.5 (two nine two decimal five) degrees, a quarter to 10, radius 300 (three zero zero) millimetres.",
		"Put on: place 15 (one five), 61.2 grams (six one decimal two), at 315 (three one five) degrees, half past 10, radius 300 (three zero zero) millimetres.",
		"In all: put on 2 weights at 2 places, together 84.7 grams (eight four decimal seven); take off 0 weights. Read back.",
		"What stays after this: 0.00 g of the correction.",
	}
	if len(words) != len(want) {
		t.Fatalf("%q", words)
	}
	for i := range want {
		if words[i] != want[i] {
			t.Errorf("line %d:\n got %s\nwant %s", i, words[i], want[i])
		}
	}
	plain, err := got.Plain(v)
	if err != nil || len(plain) != len(words) {
		t.Fatalf("%q %v", plain, err)
	}
	if want := "Put on: place 14, 23.5 grams, at 292.5 degrees, a quarter to 10, radius 300 millimetres."; plain[2] != want {
		t.Errorf("for the eye: %s, want %s", plain[2], want)
	}
	got.Removed = []Fitted{{Position: 3, Mass: 0.002}}
	if todo := got.Todo(v); len(todo) != 3 || todo[0] != "Take 2.00 g off place 3." || todo[1] != "Put 23.5 g at place 14 (292.5°, a quarter to 10)." {
		t.Errorf("to do: %q", todo)
	}
	if todo := (Placement{}).Todo(v); len(todo) != 1 || todo[0] != nothing {
		t.Errorf("nothing to do: %q", todo)
	}
	free := Placement{Placed: []Placed{{Angle: deg(30), Radius: 0.12, Mass: 0.005, Pieces: []Piece{{Mass: 0.003}, {Mass: 0.002, Cut: true}}}}}
	if todo := free.Todo(v); todo[0] != "Put 5.00 g at 30°, 1 o'clock, radius 120 mm, made of 3.00 g and 2.00 g cut to size." {
		t.Errorf("at a free angle: %q", todo)
	}
	got.Removed = nil
	v.Convention = rotor.AgainstRotation // the same hole, counted the other way
	words, _ = got.Words(v)
	if !strings.Contains(words[2], "at 67.5 (") || !strings.Contains(words[2], "a quarter to 10") {
		t.Errorf("against rotation: %s", words[2])
	}
	v.Machine.Blades = 0
	if words, _ = got.Words(v); !strings.Contains(words[1], "where blade 1 is, is not stated") {
		t.Errorf("unknown blade 1 was hidden: %s", words[1])
	}
	h := Hole{Angle: deg(90), Depth: 0.0053, Mass: 0.0025, Holes: 2}
	drill, err := h.Words("hub", View{From: "the inlet", Clockwise: true})
	if err != nil || len(drill) != 3 || !strings.Contains(drill[2], "2 holes side by side, each 5.3 (five decimal three) millimetres deep to the tip, towards the shaft, at 90 (nine zero) degrees, 3 o'clock; together 2.50 grams") {
		t.Errorf("%q %v", drill, err)
	}
	v.From = " "
	if _, err := got.Words(v); err == nil {
		t.Error("words without the side from which the rotor is seen")
	}
}

// Every drawing is well-formed and states the side, the mark, blade 1 and the
// way it turns; what it shows stands where the clock face says.
func TestDrawingStatesHowItIsSeen(t *testing.T) {
	plane, got := example(t)
	for _, clockwise := range []bool{true, false} {
		for _, c := range []rotor.Convention{rotor.WithRotation, rotor.AgainstRotation} {
			v := View{From: `the "air" side <inlet> & guard`, Clockwise: clockwise, Convention: c, Machine: rotor.Machine{Blades: 16, Blade1: deg(90)}}
			svg, err := Drawing(got, plane, v)
			if err != nil {
				t.Fatal(err)
			}
			text := svgText(t, svg)
			for _, want := range []string{"Seen from " + v.From, "it turns " + v.turns(), "mark", "blade 1", "Mark at 12 o'clock", "blade 1 is at", "Degrees " + v.counted(), "23.5 g", "61.2 g", "isolate, lock out"} {
				if !strings.Contains(text, want) {
					t.Errorf("clockwise %v %v: the drawing does not say %q", clockwise, c, want)
				}
			}
		}
	}
	d := &drawing{v: View{Clockwise: true}}
	if x, y := d.at(deg(90), 100); !(x > drawingSize/2+99 && y > drawingSize/2-1 && y < drawingSize/2+1) {
		t.Errorf("90 degrees with a clockwise rotor drawn at %g %g, not at 3 o'clock", x, y)
	}
	if _, err := Drawing(got, plane, View{}); err == nil {
		t.Error("a drawing without the side")
	}
	if svg, err := Drawing(got, plane, View{From: "the motor side"}); err != nil || strings.Contains(svg, "decimal") {
		t.Errorf("who cannot see the drawing hears every number twice (%v): %s", err, svg)
	}
	if dir := os.Getenv("PLACE_DRAWINGS"); dir != "" {
		svg, _ := Drawing(got, plane, View{From: "the motor side", Machine: rotor.Machine{Blades: 16, Blade1: deg(90)}})
		if err := os.WriteFile(dir+"/placement.svg", []byte(svg), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func svgText(t *testing.T, svg string) string {
	t.Helper()
	var b strings.Builder
	dec := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := dec.Token()
		if err == io.EOF {
			return b.String()
		}
		if err != nil {
			t.Fatalf("the drawing is not well-formed: %v", err)
		}
		if c, ok := tok.(xml.CharData); ok {
			b.Write(c)
		}
	}
}
