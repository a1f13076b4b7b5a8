package blades

import (
	"slices"
	"strings"
	"testing"
)

func TestGuideGoesRoundOnce(t *testing.T) {
	s := &Survey{Blades: 4, TipRadius: 0.3, Chord: 0.1}
	for b := 1; b <= 4; b++ {
		g, err := s.Guide()
		if err != nil {
			t.Fatal(err)
		}
		if g.Next != b || !slices.Equal(g.Kinds, []Kind{Leading, Trailing}) || len(g.Done) != b-1 {
			t.Fatalf("before blade %d: %+v", b, g)
		}
		s.Readings = append(s.Readings, Reading{Blade: b, Kind: Leading, Value: 0.041}, Reading{Blade: b, Kind: Trailing, Value: 0.062})
	}
	g, err := s.Guide()
	if err != nil || g.Next != 0 || len(g.Done) != 4 {
		t.Fatalf("%+v %v", g, err)
	}
	s.Readings[2].Value = 0.410 // a digit too many
	if g, err = s.Guide(); err != nil || g.Next != 2 || !strings.Contains(g.Text, "in question") {
		t.Fatalf("%+v %v", g, err)
	}
	if p := g.Picture(); p.Next != 2 || !slices.Equal(p.Asked, []int{2}) || !slices.Equal(p.Done, []int{1, 3, 4}) {
		t.Errorf("%+v", p)
	}
}

// An inclinometer beside the ruler is asked for at every blade once begun.
func TestGuideFinishesWhatWasBegun(t *testing.T) {
	s := &Survey{Blades: 3, Readings: []Reading{{Blade: 1, Kind: Depth, Value: 0.04}, {Blade: 1, Kind: Incline, Value: 0.4}, {Blade: 2, Kind: Depth, Value: 0.04}}}
	g, err := s.Guide()
	if err != nil || g.Next != 2 || !slices.Equal(g.Kinds, []Kind{Depth, Incline}) || !slices.Equal(g.Done, []int{1}) {
		t.Errorf("%+v %v", g, err)
	}
}
