package web

import (
	"html"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"counterpoise/internal/job"
)

// typeInto posts a form as the page does.
func typeInto(s *Server, path string, form url.Values) (int, string) {
	w := send(s, "POST", home+path, form.Encode(), "Origin", home, "Content-Type", "application/x-www-form-urlencoded")
	return w.Code, html.UnescapeString(w.Body.String())
}

// Whatever is typed wrongly into any form of a job comes back with one sentence
// beside its field and with everything that was typed.
func TestBadInputInEveryJobForm(t *testing.T) {
	s := atMachine(t)
	with := func(pairs ...string) url.Values {
		f := url.Values{"name": {"fan 3"}, "by": {"Ada"}, "side": {"the motor side"}, "clockwise": {"no"}}
		for i := 0; i < len(pairs); i += 2 {
			f.Set(pairs[i], pairs[i+1])
		}
		return f
	}
	for _, c := range []struct {
		field, typed, says string
	}{
		{"name", " ", say("job.name.missing")}, {"name", strings.Repeat("long ", 50), say("job.name.missing")},
		{"by", "", say("job.by.missing")}, {"side", "  ", say("job.side.missing")},
		{"tolerance", "o.7", "no number"}, {"tolerance", "-1", say("job.level.wrong")}, {"tolerance", "1e9", say("job.level.wrong")}, {"tolerance", "NaN", "no number"},
		{"abort", "much", "no number"}, {"abort", "-3", say("job.level.wrong")}, {"starts", "often", "no number"}, {"starts", "61", say("job.starts.wrong")},
	} {
		code, page := typeInto(s, "/stations/bench/jobs", with(c.field, c.typed))
		if code != http.StatusUnprocessableEntity || !strings.Contains(page, c.says) {
			t.Errorf("%s %q: %d without %q", c.field, c.typed, code, c.says)
			continue
		}
		if !strings.Contains(page, `value="`+strings.TrimSpace(c.typed)) && !strings.Contains(page, `value="`+c.typed) {
			t.Errorf("%s: what was typed (%q) is gone", c.field, c.typed)
		}
		if field := c.field; field != "side" && !strings.Contains(page, `id="e-`+field+`"`) {
			t.Errorf("%s: the message does not stand beside its field", field)
		}
		if c.field != "name" && !strings.Contains(page, `value="fan 3"`) {
			t.Errorf("%s: the other fields were emptied", c.field)
		}
	}

	events, _ := beginJob(t, s)
	page := strings.TrimSuffix(strings.TrimPrefix(events, "/api/v1"), "/events")
	at := func() string { // the newest event, as a form of the page knows it
		return strconv.Itoa(s.desk.open[page[strings.LastIndex(page, "/")+1:]].job.State().Events)
	}
	ticked := []string{}
	for _, c := range job.AllCautions() {
		ticked = append(ticked, c.Code)
	}
	for _, c := range []struct {
		name string
		form url.Values
		code int
		says string
		kept string
	}{
		{"no caution ticked", url.Values{"do": {"look"}, "item": {"cautions"}, "ok": {"yes"}, "by": {"Ada"}, "note": {"typed"}}, 422, "Not ticked", "typed"},
		{"one caution missing", url.Values{"do": {"look"}, "item": {"cautions"}, "ok": {"yes"}, "by": {"Ada"}, "confirmed": ticked[1:]}, 422, "Not ticked", "checked"},
		{"a stale stage", url.Values{"do": {"look"}, "item": {"cautions"}, "ok": {"yes"}, "by": {"Ada"}, "seen": {"1"}, "confirmed": ticked, "note": {"typed here"}}, 409, "look at the job as it is now", "typed here"},
		{"an onlooker", url.Values{"do": {"look"}, "item": {"cautions"}, "ok": {"yes"}, "by": {"Bob"}, "confirmed": ticked}, 409, "Ada operates this job", ""},
		{"taking over without a name", url.Values{"do": {"operator"}, "by": {""}}, 422, say("job.by.missing"), ""},
		{"a mass in words", url.Values{"do": {"fit"}, "by": {"Ada"}, "w0.plane": {"hub"}, "w0.mass": {"ten"}, "w0.place": {"3"}}, 422, "no number", ""},
		{"a level in words", url.Values{"do": {"abort"}, "by": {"Ada"}, "level": {"lots"}}, 422, "no number", ""},
		{"a negative mass", url.Values{"do": {"fit"}, "by": {"Ada"}, "w0.plane": {"hub"}, "w0.mass": {"-4"}, "w0.place": {"3"}, "confirmed": ticked}, 422, say("job.mass.wrong"), ""},
		{"a place that is none", url.Values{"do": {"fit"}, "by": {"Ada"}, "w0.plane": {"hub"}, "w0.mass": {"4"}, "w0.place": {"99"}, "confirmed": ticked}, 422, "no place 99", ""},
		{"something unheard of", url.Values{"do": {"explode"}, "by": {"Ada"}}, 409, "explode", ""},
		{"measuring a rotor that stands", url.Values{"do": {"measure"}, "by": {"Ada"}}, 409, say("job.notrunning"), ""},
	} {
		if c.form.Get("seen") == "" {
			c.form.Set("seen", at())
		}
		before := at()
		code, body := typeInto(s, page, c.form)
		if code != c.code || !strings.Contains(body, c.says) {
			t.Errorf("%s: %d, or it does not say %q", c.name, code, c.says)
		}
		if c.kept != "" && !strings.Contains(body, c.kept) {
			t.Errorf("%s: what was typed is gone", c.name)
		}
		if at() != before {
			t.Errorf("%s: refused, and yet an event was stored", c.name)
		}
	}

	big := strings.Repeat("x", 10<<20)
	for _, path := range []string{"/stations/bench/jobs", page, page + "/survey", "/case", events, "/api/v1/stations/bench/jobs", "/api/v1/case"} {
		w := send(s, "POST", home+path, big, "Origin", home, "Content-Type", "application/x-www-form-urlencoded")
		if text := strings.TrimSpace(w.Body.String()); w.Code != http.StatusRequestEntityTooLarge || text == "" || strings.Contains(text, "\n") || len(text) > 400 {
			t.Errorf("10 MB to %s: %d %.200s", path, w.Code, text)
		}
	}
}
