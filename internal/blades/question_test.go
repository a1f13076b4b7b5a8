package blades

import (
	"math"
	"strings"
	"testing"
)

func fiveDepths() []Reading {
	var out []Reading
	for i, v := range []float64{41, 41.5, 40.8, 41.2, 42.1, 40.9} {
		out = append(out, Reading{Blade: i + 1, Kind: Leading, Value: v * mm}, Reading{Blade: i + 1, Kind: Trailing, Value: (v + 21) * mm})
	}
	return out
}

func TestQuestions(t *testing.T) {
	for _, c := range []struct {
		name    string
		change  func(s *Survey)
		code    string
		says    string
		suggest float64 // in the unit of people; NaN = none
		blocks  bool
	}{
		{"missing blade", func(s *Survey) { s.Readings = append(s.Readings[:4], s.Readings[6:]...) }, "blade-missing", "Blade 3 has no leading edge", math.NaN(), true},
		{"inches typed as mm", func(s *Survey) { s.Readings[4].Value = 1.61 * mm }, "reading-odd", "read in inches", 1.61 * 25.4, true},
		{"a digit too many", func(s *Survey) { s.Readings[4].Value = 408 * mm }, "reading-odd", "one digit less", 40.8, true},
		{"a digit typed twice", func(s *Survey) { s.Readings[4].Value = 440.8 * mm }, "reading-odd", "one digit less", 40.8, true},
		{"a digit lost", func(s *Survey) { s.Readings[4].Value = 4.08 * mm }, "reading-odd", "one digit more", 40.8, true},
		{"repeats that disagree", func(s *Survey) {
			s.Readings = append(s.Readings, Reading{Blade: 2, Kind: Leading, Value: 46 * mm})
		}, "repeats-disagree", "not averaged", math.NaN(), true},
		{"edges further apart than the chord", func(s *Survey) { s.Chord = 15 * mm }, "edges-impossible", "chord", math.NaN(), true},
		{"far but possible", func(s *Survey) {
			s.Readings[4].Value += 9 * mm
			s.Readings[5].Value += 9 * mm
		}, "reading-odd", "Read this blade again", math.NaN(), false},
	} {
		s := &Survey{Blades: 6, TipRadius: 0.4, HubRadius: 0.1, Chord: 100 * mm, BladeMass: 1, Readings: fiveDepths()}
		c.change(s)
		r, err := Judge(s)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if len(r.Questions) == 0 {
			t.Errorf("%s: nothing asked", c.name)
			continue
		}
		q := r.Questions[0]
		if q.Code != c.code || !strings.Contains(q.Text, c.says) || q.Blocks != c.blocks {
			t.Errorf("%s: asked %q %q (blocks %v)", c.name, q.Code, q.Text, q.Blocks)
		}
		if !math.IsNaN(c.suggest) && !(math.Abs(q.Suggest/mm-c.suggest) <= 1e-6) {
			t.Errorf("%s: suggests %g mm, want %g", c.name, q.Suggest/mm, c.suggest)
		}
		if !has(r, c.code) {
			t.Errorf("%s: no verdict", c.name)
		}
		if c.blocks && len(r.Advice.Moves) != 0 {
			t.Errorf("%s: moves %v are advised on a reading in question", c.name, r.Advice.Moves)
		}
	}
}

// A confirmed reading, or a second one that agrees, is no longer asked about.
func TestConfirmedReadingsStand(t *testing.T) {
	for _, confirm := range []func(s *Survey){
		func(s *Survey) { s.Readings[1].Confirmed = true },
		func(s *Survey) { s.Readings = append(s.Readings, Reading{Blade: 2, Kind: Depth, Value: 8.2 * mm}) },
	} {
		s := &Survey{Blades: 5, TipRadius: 0.3, Readings: depths(0, 8, 0.2, -0.1, 0.1)}
		confirm(s)
		r, err := Judge(s)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Questions) != 0 || len(r.Advice.Moves) == 0 {
			t.Errorf("questions %v, moves %v", r.Questions, r.Advice.Moves)
		}
	}
}

// Inclinometer slips.
func TestOddAngles(t *testing.T) {
	for _, c := range []struct{ typed, suggest float64 }{{62.5, 27.5}, {-27.4, 27.4}, {274, 27.4}} {
		s := &Survey{Blades: 5, Readings: angles(27.4, 27.6, c.typed, 27.3, 27.9)}
		r, err := Judge(s)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Questions) != 1 || r.Questions[0].Blade != 3 || !r.Questions[0].Blocks || !(math.Abs(r.Questions[0].Suggest/degree-c.suggest) <= 1e-6) {
			t.Errorf("typed %g: %+v", c.typed, r.Questions)
		}
	}
}

// Repeats become uncertainty: pooled over blades, smaller for the mean of more.
func TestRepeatability(t *testing.T) {
	s := &Survey{Blades: 3, DepthSD: 0.2 * mm}
	for b := range 3 {
		for _, d := range []float64{-0.1, 0.1, -0.1, 0.1} {
			s.Readings = append(s.Readings, Reading{Blade: b + 1, Kind: Depth, Value: (float64(b) + d) * mm})
		}
	}
	g, asks, err := Reduce(s)
	if err != nil || len(asks) != 0 {
		t.Fatal(err, asks)
	}
	// 12 squares of 0.1, 9 degrees of freedom, 4 more of 0.2.
	want := math.Sqrt((12*0.01 + 4*0.04) / 13)
	near(t, "repeat", g.Track.Repeat/mm, want, 1e-9)
	near(t, "of the mean", g.Track.SD[0]/mm, want/2, 1e-9)
	if g.Track.DoF != 9 || g.Track.Basis != "repeats" {
		t.Errorf("%+v", g.Track)
	}
}

func TestRefusals(t *testing.T) {
	for _, s := range []*Survey{
		{Blades: 1}, {Blades: 61}, {Blades: 4, Readings: depths(1, 2, 3, 4, 5)},
		{Blades: 4, Angles: []float64{0, 1}}, {Blades: 4, TipRadius: 0.1, HubRadius: 0.2},
		{Blades: 4, TipRadius: -1}, {Blades: 4, Readings: []Reading{{Blade: 1, Value: math.NaN()}}},
		{Blades: 4, Cracked: []int{7}},
	} {
		if _, err := Judge(s); err == nil || strings.Count(err.Error(), "\n") != 0 {
			t.Errorf("%+v: %v", s, err)
		}
	}
}

// Cracked, cast and plastic blades are never bent.
func TestMaterials(t *testing.T) {
	for _, c := range []struct {
		change func(s *Survey)
		code   string
		moves  bool
	}{
		{func(s *Survey) { s.Material = Cast }, "do-not-bend", false},
		{func(s *Survey) { s.Material = Plastic }, "do-not-bend", false},
		{func(s *Survey) { s.Material = DuctileSheet }, "track-out", true},
		{func(s *Survey) {}, "bend-only-ductile", true},
		{func(s *Survey) { s.Material, s.Cracked = DuctileSheet, []int{2} }, "cracked", false},
	} {
		s := &Survey{Blades: 4, TipRadius: 0.3, HubRadius: 0.1, Readings: depths(0, 3, 0.2, -0.1)}
		c.change(s)
		r, err := Judge(s)
		if err != nil {
			t.Fatal(err)
		}
		if !has(r, c.code) || (len(r.Advice.Moves) > 0) != c.moves {
			t.Errorf("%s: moves %v, verdicts %v", c.code, r.Advice.Moves, r.Verdicts)
		}
	}
}
