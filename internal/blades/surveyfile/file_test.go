package surveyfile

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

func answer(t *testing.T, text string) *Reply {
	t.Helper()
	f, err := Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	a, err := f.Answer()
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.9g, want %.9g within %g", what, got, want, tol)
	}
}

const six = `"blades": 6, "tip_radius_mm": 600, "blade_mass_g": 8000, "cg_radius_mm": 600`

// The promised keys, with the six-blade example worked by hand: 1.7578 mm at
// 39.826 degrees, times 8 kg at 0.6 m.
func TestPromisedKeys(t *testing.T) {
	a := answer(t, `{`+six+`, "track_mm": [0, 1.2, -0.4, 0.3, -1.1, 0.6]}`)
	b, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Schema int `json:"schema"`
		Track  struct {
			Spread float64 `json:"spread_mm"`
			Sum    float64 `json:"harmonic_sum_mm"`
			Deg    float64 `json:"harmonic_deg"`
		} `json:"track"`
		Pitch  *struct{} `json:"pitch"`
		Couple struct {
			Amount float64 `json:"amount"`
			Deg    float64 `json:"angle_deg"`
		} `json:"couple_g_mm2"`
		Moves []struct {
			Blade int     `json:"blade"`
			Track float64 `json:"track_mm"`
		} `json:"moves"`
		Verdicts []struct{ Code, Text string } `json:"verdicts"`
	}
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	near(t, "schema", float64(got.Schema), 1, 0)
	near(t, "spread", got.Track.Spread, 2.3, 1e-9)
	near(t, "sum", got.Track.Sum, 1.7578, 5e-5)
	near(t, "deg", got.Track.Deg, 39.826, 5e-4)
	near(t, "couple", got.Couple.Amount, 8.438e6, 1e3)
	near(t, "couple deg", got.Couple.Deg, 39.826, 5e-4)
	if got.Pitch != nil || len(got.Moves) != 2 || len(got.Verdicts) == 0 {
		t.Errorf("pitch %v, moves %v, verdicts %v", got.Pitch, got.Moves, got.Verdicts)
	}
}

// The same rotor written down in another way answers the same.
func TestConventions(t *testing.T) {
	const track = `, "track_mm": [0, 1.2, -0.4, 0.3, -1.1, 0.6]`
	base := answer(t, `{`+six+track+`, "blade_1_deg": 20}`)
	for _, c := range []struct {
		name, text string
		deg        float64
	}{
		{"angle of blade 1", `{` + six + track + `, "blade_1_deg": 50}`, base.Couple.Deg + 30},
		{"counted against rotation, all of it", `{` + six + track + `, "blade_1_deg": 340, "convention": "against-rotation"}`, 360 - base.Couple.Deg},
		{"ruler on the other side", `{` + six + track + `, "blade_1_deg": 20, "depth_grows": "upstream"}`, base.Couple.Deg + 180},
		{"numbers the other way", `{` + six + `, "track_mm": [0, 0.6, -1.1, 0.3, -0.4, 1.2], "blade_1_deg": 20, "numbering": "against-rotation"}`, base.Couple.Deg},
	} {
		a := answer(t, c.text)
		near(t, c.name, math.Remainder(a.Couple.Deg-c.deg, 360), 0, 1e-9)
		near(t, c.name, a.Couple.Amount, base.Couple.Amount, 1e-3)
	}
}

func TestReadingsOfTwoEdges(t *testing.T) {
	a := answer(t, `{"blades": 3, "chord_mm": 140, "tip_radius_mm": 400, "hub_radius_mm": 120, "blade_mass_g": 900, "material": "ductile-sheet",
	  "readings": [{"blade": 1, "leading_mm": 41.0, "trailing_mm": 62.5}, {"blade": 2, "leading_mm": 41.0, "trailing_mm": 62.5},
	               {"blade": 3, "leading_mm": 43.0, "trailing_mm": 64.5}],
	  "planes": [{"name": "front", "radius_mm": 100, "z_mm": -20, "cap_g": 0.5}, {"name": "back", "radius_mm": 100, "z_mm": 20}]}`)
	near(t, "pitch", a.Pitch.Mean, math.Asin(21.5/140)*180/math.Pi, 1e-9)
	near(t, "spread", a.Track.Spread, 2, 1e-9)
	if len(a.Moves) != 1 || a.Moves[0].Blade != 3 || *a.Moves[0].Track > -1 || a.Moves[0].Toward != "upstream" {
		t.Errorf("moves %+v", a.Moves)
	}
	if text := a.Verdicts[len(a.Verdicts)-1].Text; !strings.Contains(text, "front may not carry more than 0.5 g") {
		t.Errorf("the pair over its cap must be told: %s", text)
	}
	if len(a.Pair) != 2 || a.Side == nil || a.Effective == nil {
		t.Errorf("pair %v side %v effective %v", a.Pair, a.Side, a.Effective)
	}
}

func TestTolerances(t *testing.T) {
	for _, c := range []struct {
		text                           string
		name                           string
		track, harmonic, pitch, pitchH float64
	}{
		{`"cooling-tower"`, "cooling-tower", 50.8, 25.4, 0.5, 0.25},
		{`{"preset": "propeller-metal", "track_harmonic_mm": 0.4}`, "propeller-metal", 1.5875, 0.4, 0, 0},
		{`{"track_spread_mm": 3}`, "own", 3, 1.5, 1, 0.5},
		{`0.8`, "own", 0.8, 0.4, 1, 0.5},
		{`{}`, "small-fan", 1, 0.5, 1, 0.5},
	} {
		got := answer(t, `{"blades": 3, "track_mm": [1, 2, 3], "tolerance": `+c.text+`}`).Tolerance
		if got.Name != c.name || got.Source == "" {
			t.Errorf("%s: %+v", c.text, got)
		}
		near(t, c.text, got.TrackSpread, c.track, 1e-9)
		near(t, c.text, got.TrackHarmonic, c.harmonic, 1e-9)
		near(t, c.text, got.PitchSpread, c.pitch, 1e-9)
		near(t, c.text, got.PitchHarmonic, c.pitchH, 1e-9)
	}
}

func TestBadFiles(t *testing.T) {
	for _, c := range []struct{ text, says string }{
		{``, "line 1"}, {`{"blades": 6,`, "line 1"}, {"{\n\"blades\": \"six\"}", "line 2"}, {`[]`, "line 1"},
		{`{"blades": 6}`, "no reading"}, {`{"blades": 6, "track_mm": [1,2,3]}`, "3 values for 6 blades"},
		{`{"track_mm": [1]}`, "2 to 60"}, {`{"blades": 3, "track_mm": [1,2,3], "depth_grows": "left"}`, "depth_grows"},
		{`{"blades": 3, "track_mm": [1,2,3], "material": "cheese"}`, "material"}, {`{"blades": 3, "track_mm": [1,2,3], "tolerance": "none"}`, "tolerance"},
		{`{"blades": 3, "track_mm": [1,2,3], "convention": "left"}`, "convention"},
		{`{"blades": 3, "readings": [{"blade": 9, "track_mm": 3}]}`, "blade 9"},
	} {
		f, err := Parse([]byte(c.text))
		if err == nil {
			_, err = f.Answer()
		}
		if err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v", c.text, err)
		}
	}
	a := answer(t, `{"blades": 3, "track_mm": [1, null, 3], "trak_mm": [2]}`)
	codes := ""
	for _, v := range a.Verdicts {
		codes += v.Code + " "
	}
	if a.Track != nil || !strings.Contains(codes, "blade-missing") || !strings.Contains(codes, "key-ignored") {
		t.Errorf("track %v, codes %s", a.Track, codes)
	}
}

func TestGuideOfAFileWithoutReadings(t *testing.T) {
	f, err := Parse([]byte(`{"blades": 5}`))
	if err != nil {
		t.Fatal(err)
	}
	g, err := f.Guide(false)
	if err != nil || g.Next != 1 || strings.Join(g.Keys, " ") != "leading_mm trailing_mm" || !strings.HasPrefix(g.Drawing, "<svg") || len(g.Caution) == 0 {
		t.Errorf("%+v %v", g, err)
	}
}

// FuzzParse: no file makes a panic or an answer that is not JSON.
func FuzzParse(f *testing.F) {
	for _, s := range []string{
		`{` + six + `, "track_mm": [0, 1.2, -0.4, 0.3, -1.1, 0.6], "pitch_deg": [20,20,21,20,20,20], "chord_mm": 90}`,
		`{"blades": 2, "readings": [{"blade": 1, "leading_mm": 41.0, "trailing_mm": 62.5}], "chord_mm": 1}`,
		`{"blades": 3, "track_mm": [1,null,3], "tolerance": {"track_spread_mm": 1e-9}, "step_track_mm": 0.1, "max_track_mm": 0.01}`,
		`{"blades": 4, "track_mm": [1,2,3,1e300], "blade_mass_g": [1,2,3,4], "separable": true, "planes": [{}], "influence": [[{}]]}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		file, err := Parse(data)
		if err != nil || file.Blades > 12 {
			return
		}
		a, err := file.Answer()
		if err != nil {
			return
		}
		if _, err := json.Marshal(a); err != nil {
			t.Fatalf("the answer is not JSON: %v", err)
		}
	})
}
