package web

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
	"counterpoise/internal/store"
)

// smallTargets are the controls in sight that a gloved thumb would miss: less than
// 48 points high. A tick lies inside its label, which is the target.
const smallTargets = `[...document.querySelectorAll("main button, main a.button, main select, main summary, main input:not([type=hidden]):not([type=checkbox]), main label.tick")]
	.filter(e => e.offsetParent && e.getBoundingClientRect().height < 47.5).map(e => e.outerHTML.slice(0, 90))`

// The views of what is kept - the way so far, comparison, change of an event,
// photograph, bringing in a job - pass at AA in both looks, have targets for
// gloves, names for a screen reader and nothing for the console to complain of.
func TestKeptViewsInBrowser(t *testing.T) {
	slowly(t)
	beside(t)
	jobs, err := store.Open(filepath.Join(t.TempDir(), "jobs.db"))
	must(t, err)
	f := newFake("bench")
	s := newServer(t, Config{Jobs: jobs, Now: time.Now}, f)
	s.stations[0].Config.Channels = fakeChannels
	s.stations[0].Config.Machine = rotor.Machine{Name: "fan 3", Mass: 120, Power: 2200, Blades: 6, LineHz: 50, Speed: rotor.RadPerSecond(1480), Grade: 0.0063}
	s.stations[0].Config.Planes = []rotor.Plane{{Name: "hub", Radius: 0.3, Cap: 0.2, Positions: rotor.EvenPositions(16, 0, rotor.WithRotation)}}
	animate(t, f)
	t.Cleanup(func() { must(t, jobs.Close()) })
	events, _ := beginJob(t, s)
	first := theJob(s)
	path := func(events string) string {
		return strings.TrimSuffix(strings.TrimPrefix(events, "/api/v1"), "/events")
	}
	postTo(s, events, `{"do":"fit","by":"Ada","purpose":"trial","plane":"hub","weights":[{"plane":"hub","mass_g":20,"position":3}],"confirmed":`+ticked()+`}`)
	fit := first.job.State().Fit.Event
	measuredRun(t, first, 1, 0.3)
	second, _ := beginJob(t, s)
	for _, it := range job.LookItems {
		if it.Code == "sensors" {
			break
		}
		if code, got := postTo(s, second, `{"do":"look","by":"Ada","ok":true,"item":"`+it.Code+`","confirmed":`+ticked()+`}`); code != 200 {
			t.Fatal(it.Code, got)
		}
	}
	address, _ := serve(t, s)
	p := newPerson(t, browser(t), nil, "Ada")
	do(t, p.ctx, phone(phoneHigh), chromedp.Navigate(address+"/stations/bench/jobs"))
	ask[string](t, p.ctx, `document.cookie = "`+byCookie+`=Ada;path=/"`)
	visit := func(name, path, wait string) {
		t.Helper()
		do(t, p.ctx, phone(phoneHigh), chromedp.Navigate(address+path), chromedp.WaitVisible(css(wait)))
		if small := ask[[]string](t, p.ctx, smallTargets); len(small) > 0 {
			t.Errorf("%s: too small for gloves: %q", name, small)
		}
		if over := ask[float64](t, p.ctx, `Math.max(0, ...[...document.querySelectorAll("main input, main select, main button, main img")].map(e => e.getBoundingClientRect().right)) - document.documentElement.clientWidth`); over > 0.5 {
			t.Errorf("%s: a control stands %.0f points beyond the phone", name, over)
		}
		fits(t, p.ctx)
		p.picture("kept-" + name)
		accessible(t, p.ctx)
	}
	visit("jobs", "/stations/bench/jobs", "#h-import")
	visit("sensors", path(second), "[name=photo]")
	// A photograph chosen on the phone goes with the answer.
	ask[bool](t, p.ctx, `new Promise(r => { const c = document.createElement("canvas"); c.width = c.height = 60; c.toBlob(b => {
		const d = new DataTransfer(); d.items.add(new File([b], "IMG_7.jpg", {type: "image/jpeg"})); document.querySelector("#step [name=photo]").files = d.files; r(true); }, "image/jpeg"); })`)
	ask[bool](t, p.ctx, `(document.querySelectorAll("#step .tick input").forEach(e => e.checked = true), true)`)
	p.press(`#step .act button.big`)
	if !ask[bool](t, p.ctx, `document.querySelector(".photos img") && document.querySelector(".photos img").alt !== ""`) {
		t.Errorf("the photograph is not shown:\n%s", p.text())
	}
	p.until(`document.querySelector(".photos img").complete && document.querySelector(".photos img").naturalWidth > 0 || (document.querySelector(".photos img").scrollIntoView(), false)`)
	measuredRun(t, s.desk.current(s.stations[0]), 0.5)
	visit("job", path(events), "img.picture")
	visit("amend", path(events)+"?amend="+fmt.Sprint(fit), "#amend")
	visit("compare", path(events)+"/compare", "#h-laid")
	other := strings.TrimPrefix(path(second), "/stations/bench/jobs/")
	visit("compare-two", path(events)+"/compare?a="+fmt.Sprint(first.job.State().Runs[0].Event)+"&with="+other, "#h-laid")
	p.until(`[...document.querySelectorAll("img.picture")].every(i => i.alt && (i.scrollIntoView(), i.complete && i.naturalWidth > 0))`)
	visit("live", "/", "#polar .tip")
	p.until(`!document.querySelector("#way").hidden && document.querySelector("#polar .stop")`)
	if text := ask[string](t, p.ctx, `document.querySelector("#sensors .scatter").innerText`); !strings.Contains(text, say("phase.scatter")) || !strings.Contains(text, "1.1") { // 0.02 rad
		t.Errorf("the phase scatter is shown as %q", text)
	}
	p.c.check(t)
}
