package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/job"
)

// The cautions are ticked one by one once at a standstill; before the next step
// one tick says that all still hold, and without it nothing is done. Whoever takes
// over, a start, and a long break ask for every one of them again.
func TestOneTickAtTheSameStandstill(t *testing.T) {
	s := atMachine(t)
	now := time.Now()
	s.desk.now = func() time.Time { return now }
	events, _ := beginJob(t, s)
	page := strings.TrimSuffix(strings.TrimPrefix(events, "/api/v1"), "/events")
	step := func() job.Step { return s.desk.open[page[strings.LastIndex(page, "/")+1:]].job.Next(now) }
	by := "Ada"
	one := func() string { // what the one tick sends; empty where the page asks for all
		body := send(s, "GET", home+page, "", "Cookie", byCookie+"="+by).Body.String()
		for _, c := range step().Cautions {
			if !strings.Contains(body, c.Text[:20]) {
				t.Errorf("before %q the caution %q does not stand on the page", step().What, c.Code)
			}
		}
		if !strings.Contains(body, say("job.cautions.still.tick")) {
			return ""
		}
		return codesOf(step().Cautions)
	}
	do := func(ticks ...string) {
		t.Helper()
		what := step().What
		code, body := typeInto(s, page, url.Values{"do": {"look"}, "item": {step().Item}, "ok": {"yes"}, "by": {by}, "confirmed": ticks})
		if want := http.StatusSeeOther; code != want {
			t.Fatalf("%s with %q: %d %s", what, ticks, code, body)
		}
	}
	all := func() []string { return strings.Fields(codesOf(step().Cautions)) }

	if one() != "" {
		t.Error("before anything was ticked one tick is enough")
	}
	do(all()...)
	if one() != "" {
		t.Error("the cautions were only read at the first step, and one tick is enough at the second")
	}
	do(all()...) // clean
	tick := one()
	if tick == "" {
		t.Fatal("at the same standstill every caution is asked for one by one again")
	}
	if code, body := typeInto(s, page, url.Values{"do": {"look"}, "item": {step().Item}, "ok": {"yes"}, "by": {by}}); code != http.StatusUnprocessableEntity || !strings.Contains(body, "Not ticked") {
		t.Errorf("without the one tick: %d", code)
	}
	do(tick) // dry
	now = now.Add(stillFor)
	if one() != "" {
		t.Error("one tick is enough after a long break")
	}
	do(all()...) // cracks
	if one() == "" {
		t.Error("after the break everything was ticked, and is asked for again")
	}
	if code, _ := typeInto(s, page, url.Values{"do": {"operator"}, "by": {"Bob"}, "note": {"with Ada"}}); code != http.StatusSeeOther {
		t.Fatalf("Bob cannot take over: %d", code)
	}
	if by = "Bob"; one() != "" {
		t.Error("one tick of Bob stands for what Ada ticked")
	}
}

// What was ticked while the rotor stood says nothing about a rotor that ran since.
func TestTicksEndWithTheStandstill(t *testing.T) {
	now, due := time.Now(), []job.Caution{{Code: "block"}, {Code: "prove-still"}}
	var k standstill
	k.keep(job.State{Begun: 1}, "Ada", now, due)
	for name, c := range map[string]struct {
		s    job.State
		due  []job.Caution
		want bool
	}{
		"the same standstill":   {job.State{Begun: 1}, due, true},
		"it runs":               {job.State{Begun: 1, Running: true}, due, false},
		"it ran in between":     {job.State{Begun: 2}, due, false},
		"a caution more":        {job.State{Begun: 1}, append(due[:2:2], job.Caution{Code: "weld"}), false},
		"nothing to be careful": {job.State{Begun: 1}, nil, false},
	} {
		if got := k.all(c.s, "Ada", now, c.due); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}
