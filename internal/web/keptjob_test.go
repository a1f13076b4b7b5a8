package web

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
	"counterpoise/internal/station"
)

// sendFiles posts a form with files, as a browser does.
func sendFiles(s *Server, path string, values map[string]string, files ...[3]string) *httptest.ResponseRecorder {
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for k, v := range values {
		m.WriteField(k, v)
	}
	for _, f := range files { // field, name, content
		w, _ := m.CreateFormFile(f[0], f[1])
		w.Write([]byte(f[2]))
	}
	m.Close()
	r := httptest.NewRequest("POST", home+path, &b)
	r.Header.Set("Origin", home)
	r.Header.Set("Content-Type", m.FormDataContentType())
	r.AddCookie(&http.Cookie{Name: byCookie, Value: "Ada"})
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w
}

// theJob is the only job that is open.
func theJob(s *Server) *bench {
	for _, b := range s.desk.open {
		return b
	}
	return nil
}

// ticked are all cautions as a form sends them.
func ticked() string {
	var all []string
	for _, c := range job.AllCautions() {
		all = append(all, c.Code)
	}
	b, _ := json.Marshal(all)
	return string(b)
}

// A photograph of the mark goes with the answer, is shown as a picture that
// nothing can run in, and comes back with the export.
func TestPhotographGoesWithTheAnswer(t *testing.T) {
	s := atMachine(t)
	events, _ := beginJob(t, s)
	page := strings.TrimSuffix(strings.TrimPrefix(events, "/api/v1"), "/events")
	shot := string(withExif(jpegOf(t, corner(64, 64)), 6))
	w := sendFiles(s, page, map[string]string{"do": "note", "by": "Ada", "note": "how it looked", "item": "mark"}, [3]string{"photo", "IMG_1.JPG", shot})
	if w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	r := httptest.NewRecorder()
	s.ServeHTTP(r, httptest.NewRequest("GET", home+page+"/files/mark.jpg", nil))
	if r.Code != 200 || r.Header().Get("Content-Type") != "image/jpeg" || !strings.Contains(r.Header().Get("Content-Security-Policy"), "sandbox") || bytes.Contains(r.Body.Bytes(), []byte("secret")) {
		t.Errorf("%d %v", r.Code, r.Header())
	}
	got, err := theJob(s).job.Events(context.Background())
	must(t, err)
	if last := got[len(got)-1]; last.Kind != job.KindNoted || last.File != "mark.jpg" || last.Note != "how it looked" {
		t.Errorf("recorded %+v", last)
	}
	w = sendFiles(s, page, map[string]string{"do": "note", "by": "Ada", "note": "typed text stays"}, [3]string{"photo", "x.jpg", "<script>"})
	if body := w.Body.String(); w.Code != 422 || !strings.Contains(body, "no JPEG or PNG") || !strings.Contains(body, "typed text stays") {
		t.Errorf("a script as a photograph: %d", w.Code)
	}
	if w = sendFiles(s, page, nil, [3]string{"photo", "x.jpg", strings.Repeat("x", maxUpload+2*maxBody)}); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("17 MB: %d", w.Code)
	}
	if w = sendFiles(s, "/case", nil, [3]string{"photo", "x.jpg", strings.Repeat("x", 2*maxBody)}); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a file where none belongs: %d", w.Code)
	}
	r = httptest.NewRecorder()
	s.ServeHTTP(r, httptest.NewRequest("GET", home+page+"/files/..%2f..%2fjobs.db", nil))
	if r.Code != http.StatusNotFound {
		t.Errorf("a file outside the job: %d", r.Code)
	}
}

// Directions of the sensors and the place of blade 1 are stored in the set-up,
// and an answer or a record of weights can be changed with a reason.
func TestDescribeAndAmend(t *testing.T) {
	s := atMachine(t)
	events, _ := beginJob(t, s)
	act := func(body string, want int, text string) {
		t.Helper()
		code, got := postTo(s, events, body)
		if refused, _ := got["error"].(string); code != want || !strings.Contains(refused, text) {
			t.Fatalf("%s: %d %q, want %d %q", body, code, refused, want, text)
		}
	}
	all := `,"by":"Ada","confirmed":` + ticked() + `}`
	act(`{"do":"look","item":"sensors","ok":true,"directions":{"DE-H":"towards the door"}`+all, 200, "")
	act(`{"do":"look","item":"sensors","ok":true,"directions":{"nobody":"x"}`+all, 409, "no sensor")
	act(`{"do":"look","item":"sensors","ok":true,"directions":{"DE-H":"`+strings.Repeat("x", 200)+`"}`+all, 422, "100 letters")
	act(`{"do":"look","item":"blade-1","ok":true,"blade_1_deg":37.5`+all, 200, "")
	act(`{"do":"look","item":"blade-1","ok":true,"blade_1_deg":1e9`+all, 422, "between -360 and 360")
	b := theJob(s)
	u := b.job.State().Setup
	if u.Sensors[0].Direction != "towards the door" || !(math.Abs(u.Convention.Degrees(u.Machine.Blade1)-37.5) < 1e-9) {
		t.Errorf("stored %q and %g°", u.Sensors[0].Direction, u.Convention.Degrees(u.Machine.Blade1))
	}
	before := b.job.State().Events
	act(`{"do":"look","item":"blade-1","ok":true,"blade_1_deg":37.5`+all, 200, "")
	if n := b.job.State().Events - before; n != 1 {
		t.Errorf("what was so already made %d events", n)
	}
	act(`{"do":"fit","purpose":"trial","plane":"hub","weights":[{"plane":"hub","mass_g":20,"position":3}]`+all, 200, "")
	fit := b.job.State().Fit.Event
	n, _ := json.Marshal(fit)
	amend := `{"do":"amend","target":` + string(n)
	act(amend+`,"weights":[{"plane":"hub","mass_g":22,"position":4}]`+all, 422, "Say in a note")
	act(amend+`,"note":"weighed again","weights":[{"plane":"hub","mass_g":900,"position":4}]`+all, 422, "cap")
	act(amend+`,"note":"weighed again","weights":[{"plane":"hub","mass_g":22,"position":4}]`+all, 200, "")
	if w := b.job.State().Fit.Weights; len(w) != 1 || w[0].Mass != 0.022 || b.job.State().Fit.Purpose != "trial" {
		t.Errorf("on the rotor: %+v", b.job.State().Fit)
	}
	act(`{"do":"amend","target":9999,"note":"x"`+all, 409, "no event 9999")
	act(`{"do":"amend","target":1,"note":"x"`+all, 409, "cannot be taken back")
	page := strings.TrimSuffix(strings.TrimPrefix(events, "/api/v1"), "/events")
	r := httptest.NewRequest("GET", home+page+"?amend="+string(n), nil)
	r.AddCookie(&http.Cookie{Name: byCookie, Value: "Ada"})
	w := httptest.NewRecorder()
	if s.ServeHTTP(w, r); !strings.Contains(w.Body.String(), say("job.amend.fit")) || !strings.Contains(w.Body.String(), `id="amend"`) {
		t.Error("the page has no form to change the weights")
	}
}

// measuredRun puts a run with readings and their spectra into a job, each so many
// times the fake machine's vibration, and returns the event of the newest.
func measuredRun(t *testing.T, b *bench, times ...float64) int {
	t.Helper()
	add := func(e job.Event) {
		t.Helper()
		e.At, e.By = b.desk.now(), "Ada"
		if _, err := b.job.Append(context.Background(), e); err != nil {
			t.Fatal(err)
		}
	}
	add(job.Event{Kind: job.KindStarted, Purpose: job.AlreadyRunning})
	for _, k := range times {
		snap := turning()
		r := *snap.Reading
		for i := range r.Channels {
			for n := range r.Channels[i].Orders {
				r.Channels[i].Orders[n].Value *= complex(k, 0)
			}
		}
		var list []spectrum.Spectrum
		for _, s := range snap.Spectra {
			s.Peak = append([]float64(nil), s.Peak...)
			for i := range s.Peak {
				s.Peak[i] *= k
			}
			list = append(list, s)
		}
		file, trouble := b.keepBeside(context.Background(), r, station.Kept{Spectra: list})
		if trouble != "" {
			t.Fatal(trouble)
		}
		add(job.Event{Kind: job.KindMeasured, Reading: &r, File: file})
	}
	add(job.Event{Kind: job.KindStopped})
	runs := b.job.State().Runs
	return runs[len(runs)-1].Event
}

// Readings of one job and of two are set beside each other: vectors, difference
// with its uncertainty, spectra over each other.
func TestCompare(t *testing.T) {
	s := atMachine(t)
	eventsA, _ := beginJob(t, s)
	a := theJob(s)
	measuredRun(t, a, 1, 0.25)
	beginJob(t, s)
	var b *bench
	for _, x := range s.desk.open {
		if x != a {
			b = x
		}
	}
	measuredRun(t, b, 0.5)
	jobA := strings.TrimSuffix(eventsA, "/events")
	one := getJSON[Comparison](t, s, jobA+"/compare")
	d := one.Sensors[0]
	// 4.81 mm/s to a quarter of it: 3.61 less, against the vector of 63.1 degrees
	if d.Sensor != "DE-H" || d.A.Text != "4.81" || d.B.Text != "1.20" || !strings.HasPrefix(d.Change.Text, "3.6") || !strings.HasPrefix(d.Phase.Text, "243") || !d.Changed || d.Change.Error == "" {
		t.Errorf("within a job: %+v", d)
	}
	two := getJSON[Comparison](t, s, jobA+"/compare?a=4&with="+b.id)
	if two.JobA == two.JobB || !strings.HasPrefix(two.Sensors[0].Change.Text, "2.4") || len(two.Warnings) != 0 {
		t.Errorf("between two jobs: %+v", two)
	}
	page := strings.TrimPrefix(jobA, "/api/v1") + "/compare"
	w := httptest.NewRecorder()
	s.ServeHTTP(w, httptest.NewRequest("GET", home+page+"?with="+b.id, nil))
	body := w.Body.String()
	if w.Code != 200 || strings.Count(body, "compare.svg?") < 4 || !strings.Contains(body, "Largest peaks") {
		t.Errorf("%d, the page shows no spectra", w.Code)
	}
	for _, path := range []string{"/compare.svg?channel=DE-H", "/compare.pdf?channel=DE-H", "/polar.svg", "/polar.pdf"} {
		w := httptest.NewRecorder()
		s.ServeHTTP(w, httptest.NewRequest("GET", home+strings.TrimPrefix(jobA, "/api/v1")+path, nil))
		if w.Code != 200 || w.Body.Len() < 1000 || !strings.Contains(w.Header().Get("Content-Security-Policy"), "sandbox") {
			t.Errorf("%s: %d, %d bytes", path, w.Code, w.Body.Len())
		}
	}
	for q, want := range map[string]string{"?a=9999": "no reading", "?with=nobody": "no such job"} {
		r := httptest.NewRecorder()
		if s.ServeHTTP(r, httptest.NewRequest("GET", home+jobA+"/compare"+q, nil)); r.Code != 404 || !strings.Contains(r.Body.String(), want) {
			t.Errorf("%s: %d %s", q, r.Code, r.Body)
		}
	}
	// Another board or another speed is said.
	x, y := sample{state: a.job.State(), run: a.job.State().Runs[0]}, sample{state: b.job.State(), run: b.job.State().Runs[0]}
	u, rd := *y.state.Setup, *y.run.Reading
	u.Fingerprint, u.Machine.Name, rd.Speed = "another", "other fan", rotor.RadPerSecond(1300)
	y.state.Setup, y.run.Reading = &u, &rd
	if got := unlike(x, y); len(got) != 3 {
		t.Errorf("warnings %q", got)
	}
}

// An exported job comes in on another machine with its raw signals, can be looked
// at and compared with there, and is operated by nobody.
func TestExportAndImportOnThePage(t *testing.T) {
	s := atMachine(t)
	events, _ := beginJob(t, s)
	b := theJob(s)
	n := measuredRun(t, b, 1)
	_, trouble := b.keepBeside(context.Background(), *turning().Reading, station.Kept{Raw: &station.Raw{Setup: fakeSetup, Samples: [][]float32{make([]float32, 9), make([]float32, 9), make([]float32, 9), make([]float32, 9), make([]float32, 9)}, Edges: []float64{2.5}}})
	if trouble != "" {
		t.Fatal(trouble)
	}
	page := strings.TrimSuffix(strings.TrimPrefix(events, "/api/v1"), "/events")
	get := func(s *Server, path string) *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		s.ServeHTTP(w, httptest.NewRequest("GET", home+path, nil))
		return w
	}
	out := get(s, page+"/export.json")
	if out.Code != 200 || !strings.Contains(out.Header().Get("Content-Disposition"), "fan_3.json") {
		t.Fatalf("%d %v", out.Code, out.Header())
	}
	_, files, err := s.filesOf(context.Background(), b)
	must(t, err)
	send := [][3]string{{"import", "fan_3.json", out.Body.String()}}
	wavs := 0
	for _, f := range files {
		if strings.HasSuffix(f.Name, ".wav") || strings.HasPrefix(f.Name, "reading-") && f.Kind == "take" {
			send = append(send, [3]string{"import", f.Name, get(s, page+"/files/"+f.Name).Body.String()})
			wavs++
		}
	}
	if wavs != 2 {
		t.Fatalf("%d raw files of %+v", wavs, files)
	}
	other := atMachine(t)
	other.stations[0].Source.(*fake).name = "elsewhere"
	other.byName["elsewhere"] = other.stations[0]
	delete(other.byName, "bench")
	w := sendFiles(other, "/stations/elsewhere/jobs/import", nil, send...)
	if w.Code != 200 || !strings.Contains(w.Body.String(), "brought in") {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	there := "/api/v1/stations/elsewhere/jobs/" + b.id
	if got := getJSON[struct{ Readings []struct{ Event int } }](t, other, there); len(got.Readings) != 1 || got.Readings[0].Event != n {
		t.Errorf("brought in with %d readings", len(got.Readings))
	}
	if w := get(other, "/stations/elsewhere/jobs/"+b.id+"/files/"+send[1][1]); w.Body.String() != send[1][2] {
		t.Error("the raw signal is not the one that was sent")
	}
	if code, got := postTo(other, there+"/events", `{"do":"operator","by":"Bob","note":"x"}`); code != 409 || !strings.Contains(got["error"].(string), "is not here") {
		t.Errorf("a foreign job was taken in hand: %d %v", code, got)
	}
	for name, c := range map[string]struct{ body, want string }{
		"no job":         {"{}", "exported job"},
		"a later form":   {`{"counterpoise_job": 99}`, "later version"},
		"an altered one": {strings.Replace(out.Body.String(), `\"fan 3\"`, `\"fan 4\"`, 1)[:len(out.Body.String())/2], "cut off"},
	} {
		if w := sendFiles(other, "/stations/elsewhere/jobs/import", nil, [3]string{"import", "x.json", c.body}); w.Code != 422 || !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%s: %d", name, w.Code)
		}
	}
}

// Starts are counted against the motor's limit on the page, and the level at
// which a run is broken off stands beside what it is now.
func TestStartsAndAbortLevelAreShown(t *testing.T) {
	s := atMachine(t)
	code, got := postTo(s, "/api/v1/stations/bench/jobs", `{"name":"fan 3","by":"Ada","side":"x","starts_per_hour":3,"abort_mm_s":10}`)
	if code != 201 {
		t.Fatal(got)
	}
	b := theJob(s)
	st := b.job.State()
	st.Starts = []time.Time{when.Add(-2 * time.Hour), when.Add(-59 * time.Minute), when}
	if m := motorOf(st, when); len(m) != 1 || m[0].Value != "2 of 3" {
		t.Errorf("starts: %+v", m)
	}
	st.Running = true
	snap := turning()
	snap.Level = 4.2e-3 / rotor.RMS.OfPeak()
	v := View{Scale: Scales[0]}
	if a := abortOf(st, v); a == nil || a.Text != "10.0" {
		t.Errorf("abort level %+v", a)
	}
	if l := b.levelNow(st, &snap, v); l != "4.20" {
		t.Errorf("level now %q", l)
	}
	if a := abortOf(st, View{Scale: Scales[1]}); a == nil || a.Unit != "in/s peak" || a.Text != "0.557" { // 10 mm/s rms = 14.14 mm/s peak = 0.557 in/s
		t.Errorf("abort level in inches %+v", a)
	}
}
