package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/store"
)

// bentDesk is a job on the standing virtual fan with two bent blades.
type bentDesk struct {
	t   *testing.T
	s   *Server
	fan *rig.Rig
	job string // path of the job's page
}

func newBentDesk(t *testing.T) *bentDesk {
	t.Helper()
	g, err := rig.New("bench-fan-bent", 1)
	must(t, err)
	jobs, err := store.Open(filepath.Join(t.TempDir(), "jobs.db"))
	must(t, err)
	f := newFake("bent")
	f.set(turning())
	s := newServer(t, Config{Jobs: jobs, Now: time.Now}, f)
	t.Cleanup(func() { must(t, s.desk.close()); must(t, jobs.Close()) })
	u := job.Setup{Machine: g.Machine(), Planes: g.Planes(), Virtual: true}
	for _, name := range g.Describe().Channels {
		u.Sensors = append(u.Sensors, job.Sensor{Name: name, Tolerance: 1e-3})
	}
	s.stations[0].Fan, s.stations[0].Setup = g, u
	code, got := postTo(s, "/api/v1/stations/bent/jobs", `{"name":"bent","by":"Ada","side":"the inlet side","clockwise":true}`)
	if code != http.StatusCreated {
		t.Fatalf("%d %v", code, got)
	}
	return &bentDesk{t, s, g, "/stations/bent/jobs/" + got["id"].(string)}
}

// form sends a form of the survey page and returns where it leads, or the page
// that refuses it.
func (d *bentDesk) form(pairs ...string) (to string, page string) {
	d.t.Helper()
	v := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	r := httptest.NewRequest("POST", home+d.job+"/survey", strings.NewReader(v.Encode()))
	r.Header.Set("Origin", home)
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.AddCookie(&http.Cookie{Name: byCookie, Value: "Ada"})
	w := httptest.NewRecorder()
	d.s.ServeHTTP(w, r)
	return w.Header().Get("Location"), w.Body.String()
}

func (d *bentDesk) get(path string, into any) {
	d.t.Helper()
	r := httptest.NewRequest("GET", home+"/api/v1"+path, nil)
	w := httptest.NewRecorder()
	d.s.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		d.t.Fatalf("%s: %d %s", path, w.Code, w.Body)
	}
	must(d.t, json.Unmarshal(w.Body.Bytes(), into))
}

// read reads off the virtual ruler whatever blade comes next, until all are read.
func (d *bentDesk) read() {
	d.t.Helper()
	for range 40 {
		var got struct {
			Survey sheet
			Guide  struct {
				Next  int
				Asked []int
			}
		}
		d.get(d.job+"/survey", &got)
		n := got.Guide.Next
		switch {
		case n == 0:
			return
		case slices.Contains(got.Guide.Asked, n): // bent blades stand out, and stand
			d.form("do", "confirm", "blade", fmt.Sprint(n))
		default:
			le, te, ok := ruler(d.fan, n, got.Survey.visits(n))
			if !ok {
				d.t.Fatal("there is no virtual ruler")
			}
			if _, page := d.form("do", "read", "blade", fmt.Sprint(n), "leading", fmt.Sprint(le), "trailing", fmt.Sprint(te)); page != "" {
				d.t.Fatalf("blade %d was refused:\n%s", n, page)
			}
		}
	}
	d.t.Fatal("the survey does not end")
}

// told is what the page tells of a job.
type told struct {
	Step    struct{ What, Item string }
	History []struct {
		Kind       job.Kind
		Text, Note string
	}
}

func (d *bentDesk) state() (s told) {
	d.t.Helper()
	d.get(d.job, &s)
	return s
}

func (d *bentDesk) begin(more ...string) {
	d.t.Helper()
	all := append([]string{"do", "begin", "blades", "6", "blade1", fmt.Sprint(round(rotor.WithRotation.Degrees(d.fan.Machine().Blade1), 4)), "numbering", "with-rotation", "grows", "downstream", "turns", "clockwise",
		"tip", "225", "hub", "75", "chord", "90", "mass", "150", "clearance", "4", "material", "ductile-sheet"}, more...)
	if _, page := d.form(all...); page != "" {
		d.t.Fatalf("the survey does not begin:\n%s", page)
	}
}

// On the page of the bent fan: the survey asks for straightening, one press
// makes it on the virtual fan and records it, the moved blades are read again,
// and only then does the job go on.
func TestBentFanIsStraightenedOnThePage(t *testing.T) {
	d := newBentDesk(t)
	for _, it := range job.LookItems {
		if it.Code == job.ItemSurvey {
			break
		}
		if _, got := postTo(d.s, "/api/v1"+d.job+"/events", fmt.Sprintf(`{"do":"look","item":%q,"ok":true,"by":"Ada"}`, it.Code)); got["error"] != nil {
			t.Fatal(got["error"])
		}
	}
	d.begin()
	d.read()
	if to, page := d.form("do", "finish"); to != d.job {
		t.Fatalf("the survey is not kept: %q\n%s", to, page)
	}
	if st := d.state().Step; !strings.HasPrefix(st.What, "Straighten blades ") || !strings.Contains(st.What, "2, 5") || st.Item != job.ItemSurvey {
		t.Fatalf("after the survey the job offers %q", st.What)
	}
	must(t, d.fan.Start())
	if _, page := d.form("do", "moved"); !strings.Contains(page, "supply is on") {
		t.Errorf("bent while the fan turns:\n%s", page)
	}
	d.fan.Stop() // no time passes on this fan: it stands
	if to, page := d.form("do", "moved"); to != d.job+"/survey" {
		t.Fatalf("the moves are refused: %q\n%s", to, page)
	}
	for _, b := range d.fan.Blades() {
		if !(math.Abs(b.Track) <= 1.1e-3) {
			t.Errorf("blade %d stands %.2f mm out of track after straightening", b.Number, b.Track*1e3)
		}
	}
	if st := d.state(); !strings.HasPrefix(st.Step.What, "Read the blades again") || !strings.Contains(st.History[0].Text, say("job.did.straightened")) {
		t.Errorf("after the moves the job offers %q, its history says %q", st.Step.What, st.History[0].Text)
	}
	d.read()
	if to, page := d.form("do", "finish"); to != d.job {
		t.Fatalf("the second survey is not kept: %q\n%s", to, page)
	}
	if st := d.state().Step; st.Item == job.ItemSurvey {
		t.Errorf("with straight blades the job offers %q", st.What)
	}
}

// By API each blade's track, pitch and mass change while the fan stands; an
// open job records it, and a turning fan refuses.
func TestBladesBendByAPI(t *testing.T) {
	d := newBentDesk(t)
	bend := `{"do":"bend","blade":3,"track_mm":2.5,"pitch_deg":1.5,"mass_g":160}`
	code, got := postTo(d.s, "/api/v1/stations/bent/fan", bend)
	b := d.fan.Blades()[2]
	if code != http.StatusOK || !(math.Abs(b.Track-2.5e-3) < 1e-12) || !(math.Abs(b.Pitch-1.5*math.Pi/180) < 1e-12) || !(math.Abs(b.Mass-0.16) < 1e-12) {
		t.Errorf("%d %v: blade 3 is %+v", code, got["error"], b)
	}
	if h := d.state().History[0]; h.Kind != job.KindStraightened || h.Note != say("survey.bentby") {
		t.Errorf("the open job's newest event is %+v", h)
	}
	code, got = postTo(d.s, "/api/v1"+d.job+"/events", `{"do":"straightened","by":"Ada","moves":[{"blade":3,"track_mm":-2.5}]}`)
	if b = d.fan.Blades()[2]; code != http.StatusOK || !(math.Abs(b.Track) < 1e-12) || d.state().History[0].Kind != job.KindStraightened {
		t.Errorf("straightened by API: %d %v, blade 3 is %+v", code, got["error"], b)
	}
	must(t, d.fan.Start())
	was := d.fan.Blades()[2]
	if code, got = postTo(d.s, "/api/v1/stations/bent/fan", bend); code != http.StatusConflict || d.fan.Blades()[2] != was {
		t.Errorf("bent while it turns: %d %v", code, got)
	}
}

// What was read of a blade says nothing once it was moved, whoever moved it: the
// survey asks for it again, says why, and is not kept before.
func TestMovedBladeIsReadAgain(t *testing.T) {
	d := newBentDesk(t)
	d.begin()
	d.read()
	if to, page := d.form("do", "finish"); to != d.job {
		t.Fatalf("the survey is not kept: %q\n%s", to, page)
	}
	for _, c := range []struct {
		blade      int
		path, body string
	}{
		{3, "/api/v1/stations/bent/fan", `{"do":"bend","blade":3,"track_mm":2.5}`},
		{4, "/api/v1" + d.job + "/events", `{"do":"straightened","by":"Ada","moves":[{"blade":4,"pitch_deg":1}]}`},
	} {
		if code, got := postTo(d.s, c.path, c.body); code != http.StatusOK {
			t.Fatalf("blade %d: %d %v", c.blade, code, got)
		}
		var now struct {
			Kept   bool
			Survey sheet
			Guide  struct{ Next int }
		}
		d.get(d.job+"/survey", &now)
		if now.Kept || now.Survey.visits(c.blade) != 0 || now.Survey.visits(1) == 0 {
			t.Errorf("blade %d moved: kept %v, %d readings of it", c.blade, now.Kept, now.Survey.visits(c.blade))
		}
		w := httptest.NewRecorder()
		r := httptest.NewRequest("GET", home+d.job+"/survey", nil)
		r.AddCookie(&http.Cookie{Name: byCookie, Value: "Ada"})
		d.s.ServeHTTP(w, r)
		if want := fmt.Sprintf(say("survey.moved.read"), now.Guide.Next); !strings.Contains(w.Body.String(), want) {
			t.Errorf("blade %d moved: the page does not say %q", c.blade, want)
		}
	}
	if _, page := d.form("do", "finish"); page == "" {
		t.Error("a survey with moved blades unread is kept")
	}
	d.read()
	if to, page := d.form("do", "finish"); to != d.job {
		t.Errorf("read again, the survey is not kept: %q\n%s", to, page)
	}
}

// The rarer readings: an angle makes up for one edge, masses and places of all
// blades are used, places of some are not.
func TestRarerReadings(t *testing.T) {
	d := newBentDesk(t)
	d.begin("separable", "yes", "tolerance", "propeller-metal", "clearance", "0,5", "cracked", "")
	if _, page := d.form("do", "read", "blade", "1", "leading", "84.6"); !strings.Contains(page, "wrong sign") {
		t.Error("one edge alone is taken")
	}
	for n := 1; n <= 6; n++ {
		if _, page := d.form("do", "read", "blade", fmt.Sprint(n), "leading", "84.6", "pitch", "20", "one_mass", fmt.Sprint(148+n), "place", fmt.Sprint(60*(n-1))); page != "" {
			t.Fatalf("blade %d:\n%s", n, page)
		}
	}
	var got struct {
		Survey    sheet
		Judgement struct {
			Track struct {
				Spread float64 `json:"spread_mm"`
			}
			Static *struct{ Amount float64 } `json:"moment_static_g_mm"`
			Swap   *struct{ After, Before float64 }
			Before struct {
				Clearance *float64 `json:"tip_clearance_mm"`
			}
			Tolerance struct{ Name string }
		}
	}
	d.get(d.job+"/survey", &got)
	j := got.Judgement
	if len(got.Survey.AnglesDeg) != 6 || j.Static == nil || j.Swap == nil || j.Before.Clearance == nil || *j.Before.Clearance != 0.5 || j.Tolerance.Name != "propeller-metal" || j.Track.Spread != 0 {
		t.Errorf("%+v of %+v", j, got.Survey)
	}
	for _, bad := range [][]string{{"place", "999"}, {"one_mass", "-3"}, {"pitch", "x"}, {"leading", "1e9", "trailing", "3"}, {}} {
		if _, page := d.form(append([]string{"do", "read", "blade", "2"}, bad...)...); page == "" {
			t.Errorf("%v was kept", bad)
		}
	}
	if _, page := d.form("do", "begin", "state", "1", "blades", "6", "cracked", "three"); !strings.Contains(page, say("survey.cracked.wrong")) {
		t.Error("a word among the cracked blades is taken")
	}
}

// A reading in question that is read again stays beside the new one where the
// two agree within reading error, and is struck out where they do not.
func TestReadAgain(t *testing.T) {
	at := func(blade int, le, te float64) visit { return visit{Blade: blade, Leading: &le, Trailing: &te} }
	for _, c := range []struct {
		name  string
		again visit
		want  int
	}{
		{"the same", at(2, 88.4, 121.8), 3},
		{"another leading edge", at(2, 83.4, 122), 2},
		{"another trailing edge", at(2, 88.2, 117), 2},
		{"one edge alone", visit{Blade: 2, Leading: new(88.2)}, 2},
	} {
		if got := instead([]visit{at(1, 83.4, 117), at(2, 88.2, 122), c.again}); len(got) != c.want || got[0].Blade != 1 || got[len(got)-1] != c.again {
			t.Errorf("%s: %d readings are left, want %d", c.name, len(got), c.want)
		}
	}
}

// What the virtual ruler shows of one blade is no reading of another.
func TestShownFiguresBelongToTheirBlade(t *testing.T) {
	for _, c := range []struct {
		blade, leading string
		refused        bool
	}{{"2", "83.1", false}, {"3", "83.1", true}, {"3", "83.2", false}} {
		f := url.Values{"shown": {"2 83.1 117"}, "blade": {c.blade}, "leading": {c.leading}, "trailing": {"117"}}
		var bad fieldError
		err := typed{Form: f}.ofItsBlade()
		if errors.As(err, &bad) != c.refused || c.refused && bad.Field != "blade" {
			t.Errorf("blade %s, %s mm: %v", c.blade, c.leading, err)
		}
	}
}
