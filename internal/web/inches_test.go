package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// Whoever reads in inches finds no millimetre of vibration in a job: sentences,
// history, progress and the labels of forms follow, and what is typed is taken
// in the unit that the form named.
func TestJobInInches(t *testing.T) {
	s := atMachine(t)
	get := func(path string) string {
		r := httptest.NewRequest("GET", home+path, nil)
		r.AddCookie(&http.Cookie{Name: viewCookie, Value: url.Values{"scale": {"in/s"}}.Encode()})
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d %s", path, w.Code, w.Body)
		}
		return w.Body.String()
	}
	if page := get("/stations/bench/jobs"); !strings.Contains(page, "Tolerance at 1x, in/s peak") || strings.Contains(page, "mm/s rms at 1x") || !strings.Contains(page, `name="in" value="in/s"`) {
		t.Error("the form of a new job does not ask in inches")
	}
	form := url.Values{"name": {"fan 3"}, "by": {"Ada"}, "side": {"the motor side"}, "clockwise": {"yes"}, "in": {"in/s"}, "tolerance": {"0.04"}, "abort": {"1"}}
	w := send(s, "POST", home+"/stations/bench/jobs", form.Encode(), "Origin", home, "Content-Type", "application/x-www-form-urlencoded")
	if w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	page := w.Header().Get("Location")
	id := page[strings.LastIndex(page, "/")+1:]
	u := s.desk.open[id].job.State().Setup
	// 1 in/s is 25.4 mm/s (exact, by the definition of the inch)
	if got := u.Abort; !(got > 0.02539 && got < 0.02541) {
		t.Errorf("an abort level of 1 in/s peak became %g m/s peak", got)
	}
	if got := u.Sensors[0].Tolerance; !(got > 0.04*0.0253 && got < 0.04*0.0255) {
		t.Errorf("a tolerance of 0.04 in/s peak became %g m/s peak", got)
	}
	act := func(body string) {
		t.Helper()
		if code, got := postTo(s, "/api/v1"+page+"/events", body); code != http.StatusOK {
			t.Fatalf("%s: %d %v", body, code, got)
		}
	}
	act(`{"do":"running","by":"Ada","confirmed":` + tickedAll() + `}`)
	// 25.4 mm/s peak is 17.961 mm/s rms (by hand)
	act(`{"do":"abort","by":"Ada","level_mm_s":17.961}`)
	text := get(page)
	if !strings.Contains(text, "1 in/s peak") {
		t.Error("the level at which the run was broken off is not shown in inches")
	}
	if i := strings.Index(text, "mm/s"); i >= 0 {
		t.Errorf("millimetres are left over: %s", text[max(0, i-80):min(len(text), i+40)])
	}
	b := Busy{Doing: "reading", Turns: 30, MinTurns: 64, se: 25.4e-5, ask: station.Ask{MinTurns: 64, StandardError: 25.4e-6}}
	if got := b.in(View{Scale: scale("in/s", rotor.Peak)}).Text; !strings.Contains(got, "0.01 in/s peak") || !strings.Contains(got, "0.001 needed") {
		t.Errorf("progress reads %q", got)
	}
}
