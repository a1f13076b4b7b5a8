package web

import (
	"html"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"counterpoise/internal/blades"
)

// formOf is a form with other values in some fields.
func formOf(base url.Values, pairs ...string) url.Values {
	f := url.Values{}
	for k, v := range base {
		f[k] = v
	}
	for i := 0; i < len(pairs); i += 2 {
		f.Set(pairs[i], pairs[i+1])
	}
	return f
}

// What is typed wrongly into the forms of a survey comes back with one sentence
// and with everything that was typed, and nothing is stored.
func TestBadInputInTheSurveyForms(t *testing.T) {
	s := atMachine(t)
	events, _ := beginJob(t, s)
	page := strings.TrimSuffix(strings.TrimPrefix(events, "/api/v1"), "/events")
	at := func() string {
		return strconv.Itoa(s.desk.open[page[strings.LastIndex(page, "/")+1:]].job.State().Events)
	}
	post := func(f url.Values) (int, string) {
		if f.Get("seen") == "" {
			f.Set("seen", at())
		}
		w := send(s, "POST", home+page+"/survey", f.Encode(), "Origin", home, "Content-Type", "application/x-www-form-urlencoded", "Cookie", byCookie+"=Ada")
		return w.Code, html.UnescapeString(w.Body.String())
	}
	state := url.Values{"do": {"begin"}, "state": {"1"}, "blades": {"6"}, "blade1": {"0"}, "numbering": {"with-rotation"}, "grows": {"downstream"}, "turns": {"clockwise"}, "tip": {"451"}, "mass": {"907"}}
	for i := range blades.Cautions {
		state.Add("confirmed", strconv.Itoa(i))
	}
	refused := func(name string, f url.Values, code int, says string, kept ...string) {
		t.Helper()
		before := at()
		got, body := post(f)
		if got != code || !strings.Contains(body, says) {
			t.Errorf("%s: %d, or it does not say %q", name, got, says)
		}
		for _, k := range kept {
			if !strings.Contains(body, k) {
				t.Errorf("%s: %s is gone", name, k)
			}
		}
		if at() != before {
			t.Errorf("%s: refused, and yet an event was stored", name)
		}
	}
	wrong := func(what string) string { return what + `"` } // the sentence quotes it
	for _, c := range []struct{ field, typed, says string }{
		{"blades", "6.5", "whole number"}, {"blades", "two", wrong("two")}, {"blades", "1", "whole number"}, {"blades", "NaN", wrong("NaN")},
		{"blade1", "north", wrong("north")}, {"tip", "big", wrong("big")}, {"cracked", "3 and 4", say("survey.cracked.wrong")},
		{"mass", "1e400", wrong("1e400")}, {"depth_error", "x", wrong("x")}, {"tol_track", "half", wrong("half")},
	} {
		refused(c.field+" "+c.typed, formOf(state, c.field, c.typed), 422, c.says, `value="`+c.typed+`"`, `id="e-`+c.field+`"`, `checked`)
	}
	f := formOf(state)
	f["confirmed"] = f["confirmed"][1:]
	refused("a caution missing", f, 422, "Not ticked", `value="451"`)
	refused("stale", formOf(state, "seen", "1"), 409, "look at the job as it is now", `value="451"`, `value="907"`)
	if code, body := post(formOf(state)); code != http.StatusSeeOther {
		t.Fatalf("the survey did not begin: %d\n%s", code, body)
	}
	read := url.Values{"do": {"read"}, "blade": {"3"}, "leading": {"81.5"}, "trailing": {"117.5"}}
	for _, c := range []struct{ field, typed, says string }{
		{"leading", "eighty", wrong("eighty")}, {"trailing", "1e9", say("survey.depth.wrong")}, {"trailing", "", say("survey.edge.missing")}, {"leading", "", say("survey.edge.missing")},
		{"one_mass", "-5", say("survey.visit.wrong")}, {"place", "top", wrong("top")}, {"pitch", "400", say("survey.visit.wrong")},
	} {
		refused(c.field+" "+c.typed, formOf(read, c.field, c.typed), 422, c.says, `value="`+c.typed+`"`, `id="e-`+c.field+`"`, `<option selected>3<`)
	}
	refused("no such blade", formOf(read, "blade", "9"), 422, "The blades are 1 to 6", `value="81.5"`)
	refused("a stale reading", formOf(read, "seen", "1"), 409, "look at the job as it is now", `value="81.5"`, `value="117.5"`)
	refused("no such reading", url.Values{"do": {"strike"}, "visit": {"7"}}, 409, say("survey.novisit"))
	refused("nothing to move", url.Values{"do": {"moved"}, "cracks": {"none"}}, 409, "")
	// Another has begun meanwhile to state the blades anew: the reading has no field there.
	refused("a reading while the blades are stated", formOf(read, "state", "1", "leading", "eighty"), 422, wrong("eighty"), "117.5", `class="alert"`)
	// Somebody else has taken the job over: there is no form any more at all.
	if code, _ := typeInto(s, page, url.Values{"do": {"operator"}, "by": {"Bob"}, "note": {"agreed"}, "seen": {at()}}); code != http.StatusSeeOther {
		t.Fatal("not taken over:", code)
	}
	refused("after a hand-over", formOf(read), 409, "Bob operates this job", "81.5", "117.5")
}

// The same holds for the page of run-ups, coast-downs and running blades.
func TestBadInputInTheTraceForms(t *testing.T) {
	s, _, _ := traceBed(t, "extractor-track")
	const page = "/stations/bench/trace"
	speed := url.Values{"do": {"speed"}, "motor": {"2.5"}, "belt": {"1.3"}}
	track := url.Values{"do": {"track"}, "channel": {"track"}, "blades": {"8"}, "turns": {"100"}, "sensor": {"11.5"}, "blade1": {"3"}, "radius": {"401"}}
	for _, c := range []struct {
		form         url.Values
		field, typed string
		says         string
	}{
		{speed, "motor", "fast", `fast"`}, {speed, "motor", "-1", say("trace.ratio.wrong")}, {speed, "belt", "1e9", say("trace.ratio.wrong")}, {speed, "belt", "NaN", `NaN"`},
		{track, "blades", "8.5", "whole number"}, {track, "blades", "-3", "whole number"}, {track, "blades", "1e300", "whole number"}, {track, "turns", "many", `many"`},
		{track, "turns", "2.5", say("trace.turns.wrong")}, {track, "turns", "1e9", say("trace.turns.wrong")}, {track, "sensor", "top", `top"`},
		{track, "blade1", "1e400", `1e400"`}, {track, "radius", "-4", say("trace.radius.wrong")},
	} {
		code, body := typeInto(s, page, formOf(c.form, c.field, c.typed))
		if code != 422 || !strings.Contains(body, c.says) || !strings.Contains(body, `id="e-`+c.field+`"`) {
			t.Errorf("%s %q: %d, or it does not say %q beside its field", c.field, c.typed, code, c.says)
		}
		for name := range c.form {
			if name != "do" && name != "channel" && !strings.Contains(body, `value="`+formOf(c.form, c.field, c.typed).Get(name)+`"`) {
				t.Errorf("%s %q: what was typed into %s is gone", c.field, c.typed, name)
			}
		}
		if is := s.stations[0].traceState().Is; is != "" {
			t.Fatalf("%s %q: refused, and yet it is %s", c.field, c.typed, is)
		}
	}
	if code, body := getTrace(s, page+"?at_rpm=quick"); code != 422 || !strings.Contains(body, say("trace.at.wrong")) {
		t.Errorf("a speed in words: %d, or no sentence", code)
	}
	if code, body := typeInto(s, page, track); code != http.StatusSeeOther {
		t.Fatalf("nothing is followed: %d\n%s", code, body)
	}
	// A window that does not know yet that something is being followed: its form is gone.
	code, body := typeInto(s, page, formOf(speed, "motor", "fast"))
	if is := s.stations[0].traceState().Is; is == traceFollowing && (code != 422 || !strings.Contains(body, `fast" is no number`) || !strings.Contains(body, "1.3")) {
		t.Errorf("while a trace is followed: %d, or the message or what was typed is lost", code)
	}
	ended(t, s)
}
