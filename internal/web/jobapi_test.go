package web

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
	"counterpoise/internal/store"
)

// atMachine is a station on a real machine, as far as the page can tell, with jobs.
func atMachine(t *testing.T) *Server {
	t.Helper()
	jobs, err := store.Open(filepath.Join(t.TempDir(), "jobs.db"))
	must(t, err)
	f := newFake("bench")
	f.set(turning())
	s := newServer(t, Config{Jobs: jobs, Now: time.Now}, f)
	s.stations[0].Config.Channels = fakeChannels
	s.stations[0].Config.Machine = rotor.Machine{Mass: 120, Speed: rotor.RadPerSecond(1480), Grade: 0.0063}
	s.stations[0].Config.Planes = []rotor.Plane{{Name: "hub", Radius: 0.3, Cap: 0.2, Positions: rotor.EvenPositions(16, 0, rotor.WithRotation)}}
	t.Cleanup(func() { must(t, s.desk.close()); must(t, jobs.Close()) })
	return s
}

func postTo(s *Server, path, body string) (int, map[string]any) {
	r := httptest.NewRequest("POST", home+path, strings.NewReader(body))
	r.Header.Set("Origin", home)
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	var got map[string]any
	json.Unmarshal(w.Body.Bytes(), &got)
	return w.Code, got
}

type jobList struct{ Jobs []struct{ Name string } }

const begin = `{"name":"fan 3","by":"Ada","side":"the motor side","clockwise":true}`

func beginJob(t *testing.T, s *Server) (events string, state map[string]any) {
	t.Helper()
	code, got := postTo(s, "/api/v1/stations/bench/jobs", begin)
	if code != http.StatusCreated {
		t.Fatalf("%d %v", code, got)
	}
	return "/api/v1/stations/bench/jobs/" + got["id"].(string) + "/events", got
}

// tickedAll is what somebody sends who has ticked everything.
func tickedAll() string {
	var list []string
	for _, c := range job.AllCautions() {
		list = append(list, `"`+c.Code+`"`)
	}
	return `[` + strings.Join(list, ",") + `]`
}

func TestJobActsAreGuarded(t *testing.T) {
	s := atMachine(t)
	events, _ := beginJob(t, s)
	cautions := tickedAll()
	for _, c := range []struct {
		name, body string
		code       int
		text       string
	}{
		{"no cautions", `{"do":"look","item":"cautions","ok":true,"by":"Ada"}`, 422, "Not ticked"},
		{"an onlooker", `{"do":"look","item":"cautions","ok":true,"by":"Bob","confirmed":` + cautions + `}`, 409, "Ada operates this job"},
		{"nobody", `{"do":"look","item":"cautions","ok":true}`, 422, "Say your name"},
		{"a stale sender", `{"do":"look","item":"cautions","ok":true,"by":"Ada","seen":1,"confirmed":` + cautions + `}`, 409, "moved on"},
		{"a start before the look", `{"do":"start","by":"Ada","confirmed":` + cautions + `}`, 409, "must not be started"},
		{"a reading at standstill", `{"do":"measure","by":"Ada"}`, 409, "standing"},
		{"a weight over its cap", `{"do":"fit","by":"Ada","purpose":"trial","plane":"hub","weights":[{"plane":"hub","mass_g":500,"position":3}],"confirmed":` + cautions + `}`, 422, "cap"},
		{"a place that is not there", `{"do":"fit","by":"Ada","weights":[{"plane":"hub","mass_g":5,"position":17}],"confirmed":` + cautions + `}`, 422, "no place 17"},
		{"an unknown act", `{"do":"explode","by":"Ada"}`, 409, "explode"},
		{"no JSON", `{"do":`, 400, "JSON"},
		{"a misspelt key", `{"do":"note","by":"Ada","nota":"x"}`, 400, "unknown field"},
		{"done right", `{"do":"look","item":"cautions","ok":true,"by":"Ada","seen":2,"confirmed":` + cautions + `}`, 200, ""},
	} {
		code, got := postTo(s, events, c.body)
		text, _ := got["error"].(string)
		if code != c.code || !strings.Contains(text, c.text) {
			t.Errorf("%s: %d %q, want %d with %q", c.name, code, text, c.code, c.text)
		}
	}
	if code, _ := postTo(s, events, strings.Repeat(" ", 10<<20)); code != http.StatusRequestEntityTooLarge {
		t.Errorf("10 MB: %d", code)
	}
	r := httptest.NewRequest("POST", home+events, strings.NewReader(`{"do":"note","note":"x"}`))
	r.Header.Set("Origin", "http://elsewhere.example")
	w := httptest.NewRecorder()
	if s.ServeHTTP(w, r); w.Code != http.StatusForbidden {
		t.Errorf("another origin: %d", w.Code)
	}
	if code, _ := postTo(s, "/api/v1/stations/bench/jobs/nobody/events", `{"do":"note","note":"x"}`); code != http.StatusNotFound {
		t.Errorf("no such job: %d", code)
	}
}

// A job outlives its server: a new one on the same folder finds every event.
func TestJobIsTakenUpAgain(t *testing.T) {
	s := atMachine(t)
	events, before := beginJob(t, s)
	must(t, s.desk.close())
	again := newDesk(s.desk.jobs, s.now)
	s.desk = again
	got := getJSON[struct {
		Events   int
		Operator string
	}](t, s, strings.TrimSuffix(events, "/events"))
	if float64(got.Events) != before["events"] || got.Operator != "Ada" {
		t.Errorf("taken up with %d events and operator %q, left with %v", got.Events, got.Operator, before["events"])
	}
	list := getJSON[jobList](t, s, "/api/v1/stations/bench/jobs")
	if len(list.Jobs) != 1 || list.Jobs[0].Name != "fan 3" {
		t.Errorf("listed %+v", list.Jobs)
	}
}

func TestNewJobRefused(t *testing.T) {
	s := atMachine(t)
	for body, field := range map[string]string{
		`{"name":"","by":"Ada","side":"x"}`:                        "name",
		`{"name":"a","by":" ","side":"x"}`:                         "by",
		`{"name":"a","by":"Ada","side":""}`:                        "side",
		`{"name":"a","by":"Ada","side":"x","starts_per_hour":-1}`:  "starts",
		`{"name":"a","by":"Ada","side":"x","abort_mm_s":-1}`:       "abort",
		`{"name":"a","by":"Ada","side":"x","tolerance_mm_s":1e99}`: "tolerance",
	} {
		if code, got := postTo(s, "/api/v1/stations/bench/jobs", body); code != 422 || got["field"] != field {
			t.Errorf("%s: %d %v", body, code, got)
		}
	}
	if list := getJSON[jobList](t, s, "/api/v1/stations/bench/jobs"); len(list.Jobs) != 0 {
		t.Errorf("refused jobs were created: %+v", list.Jobs)
	}
}

// At a real rotor each point of the look is answered by itself; one answer for
// all is for the virtual fan.
func TestEachPointOfARealLook(t *testing.T) {
	s := atMachine(t)
	events, _ := beginJob(t, s)
	before := theJob(s).job.State().Events
	code, got := postTo(s, events, `{"do":"look","by":"Ada","item":"cautions","ok":true,"all":true,"confirmed":`+tickedAll()+`}`)
	if code == http.StatusOK || theJob(s).job.State().Events != before {
		t.Errorf("%d %v, %d events stood before and %d after", code, got, before, theJob(s).job.State().Events)
	}
}
