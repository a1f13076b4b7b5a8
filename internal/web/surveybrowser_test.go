package web

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
	"counterpoise/internal/store"
)

// surveyor reads the blades of a real machine, which nobody may bend by a tap,
// on the page of a station of his own.
type surveyor struct {
	t    *testing.T
	ctx  context.Context
	c    *console
	home string
	url  string // of the survey
	n    int    // blades
}

// newSurveyors serves one station for each number of blades.
func newSurveyors(t *testing.T, blades ...int) (home string) {
	t.Helper()
	jobs, err := store.Open(filepath.Join(t.TempDir(), "jobs.db"))
	must(t, err)
	t.Cleanup(func() { must(t, jobs.Close()) })
	var fakes []Source
	for _, n := range blades {
		f := newFake(fmt.Sprintf("fan-%d", n))
		f.set(turning())
		fakes = append(fakes, f)
	}
	s := newServer(t, Config{Jobs: jobs, Now: time.Now}, fakes...)
	for i, n := range blades {
		s.stations[i].Setup = job.Setup{Machine: rotor.Machine{Mass: 90, Speed: rotor.RadPerSecond(980), Grade: 6.3e-3, Blades: n},
			Planes:  []rotor.Plane{{Name: "front", Radius: 0.2, Z: -0.1, Cap: 0.1}, {Name: "rear", Radius: 0.2, Z: 0.1}},
			Sensors: []job.Sensor{{Name: "DE-H", Tolerance: 1e-3}, {Name: "NDE-H", Tolerance: 1e-3}}}
	}
	home, stop := serve(t, s)
	t.Cleanup(stop)
	return home
}

// newSurveyor begins a job and opens its survey, with all cautions ticked.
func newSurveyor(t *testing.T, ctx context.Context, home string, n int) *surveyor {
	t.Helper()
	p := &surveyor{t: t, ctx: ctx, home: home, n: n, c: &console{}}
	do(t, ctx)
	p.c.listen(t, ctx)
	do(t, ctx, phone(phoneHigh), chromedp.Navigate(fmt.Sprintf("%s/stations/fan-%d/jobs", home, n)), chromedp.WaitVisible(css(`[name="by"]`)),
		chromedp.SendKeys(css(`[name="by"]`), "Ada"), chromedp.Click(css(`main button.big`)), chromedp.WaitVisible(css(`#step`)))
	p.url = home + ask[string](t, ctx, `location.pathname`) + "/survey"
	p.open()
	return p
}

func (p *surveyor) open() {
	p.t.Helper()
	do(p.t, p.ctx, chromedp.Navigate(p.url), chromedp.WaitVisible(css(`.survey`)))
}

// text is what the page says; a figure does not part from its unit at the end of
// a line, which is nothing to look for.
func (p *surveyor) text() string {
	return strings.ReplaceAll(ask[string](p.t, p.ctx, `document.querySelector("main").innerText`), "\u00a0", " ")
}

func (p *surveyor) next() string {
	return ask[string](p.t, p.ctx, `document.querySelector("#h-now").innerText`)
}

// send clicks a button and waits for the page that follows.
func (p *surveyor) send(selector string) {
	p.t.Helper()
	ask[bool](p.t, p.ctx, `(document.body.dataset.old = "1", true)`)
	do(p.t, p.ctx, chromedp.ScrollIntoView(css(selector)), chromedp.Click(css(selector)))
	for range 600 {
		if ok, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](`document.readyState === "complete" && !!document.body && !document.body.dataset.old && !!document.querySelector("main")`)); err == nil && ok {
			return
		}
		if !pause(p.ctx, 50*time.Millisecond) {
			break
		}
	}
	p.t.Fatalf("nothing came after %s on:\n%s", selector, p.text())
}

// fill types into fields by their names.
func (p *surveyor) fill(fields map[string]string) {
	p.t.Helper()
	for name, v := range fields {
		ask[bool](p.t, p.ctx, fmt.Sprintf(`(document.querySelector('[name="%s"]').value = "", true)`, name))
		do(p.t, p.ctx, chromedp.SendKeys(css(`[name="`+name+`"]`), v))
	}
}

// begin ticks the cautions and states what the blades are.
func (p *surveyor) begin(fields map[string]string) {
	p.t.Helper()
	ask[bool](p.t, p.ctx, `(document.querySelectorAll('[name="confirmed"]').forEach(e => { e.checked = true; }), true)`)
	p.fill(fields)
	p.send(`button[value="begin"]`)
}

// post sends what a form would send, without waiting for pictures.
func (p *surveyor) post(pairs ...string) {
	p.t.Helper()
	body := "new URLSearchParams({"
	for i := 0; i < len(pairs); i += 2 {
		body += fmt.Sprintf("%q: %q,", pairs[i], pairs[i+1])
	}
	if code := ask[float64](p.t, p.ctx, `fetch("`+p.url+`", {method: "POST", body: `+body+`})}).then(r => r.status)`); code != 200 {
		p.t.Fatalf("%v was answered with %v", pairs, code)
	}
}

// depths of blade i: straight blades of 20 degrees and 120 mm, two of them out
// of track.
func (p *surveyor) depths(i int) (leading, trailing string) {
	middle := 100.0
	switch i {
	case 2:
		middle += 3
	case 2 + p.n/2:
		middle -= 3
	}
	half := 60 * math.Sin(20*math.Pi/180)
	return strconv.FormatFloat(middle-half, 'f', 1, 64), strconv.FormatFloat(middle+half, 'f', 1, 64)
}

func (p *surveyor) read(from, to int) {
	for i := from; i <= to; i++ {
		le, te := p.depths(i)
		p.post("do", "read", "blade", strconv.Itoa(i), "leading", le, "trailing", te)
	}
}

var blade450 = map[string]string{"tip": "450", "hub": "150", "chord": "120", "mass": "900", "clearance": "6"}

// shots keeps what a person should look at.
func (p *surveyor) shots(name string) {
	p.t.Helper()
	if os.Getenv("COUNTERPOISE_SHOTS") == "" {
		return
	}
	for _, theme := range []string{"light", "dark"} {
		ask[string](p.t, p.ctx, `document.documentElement.dataset.theme = "`+theme+`"`)
		shoot(p.t, p.ctx, fmt.Sprintf("survey-%d-%s-phone-%s", p.n, name, theme), phoneWide, phoneHigh, chromedp.EmulateMobile, chromedp.EmulateTouch)
		shoot(p.t, p.ctx, fmt.Sprintf("survey-%d-%s-wide-%s", p.n, name, theme), 1280, 900)
	}
	do(p.t, p.ctx, phone(phoneHigh))
}

// From 4 to 60 blades the page says which blade is next, at the pointer of the
// drawing too, keeps to the window, and passes at AA in every state.
func TestSurveyPageFromFewBladesToMany(t *testing.T) {
	home := newSurveyors(t, 4, 12, 60)
	for _, n := range []int{4, 12, 60} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			if n != 12 && os.Getenv("CI") != "true" && os.Getenv("COUNTERPOISE_SHOTS") == "" {
				t.Skip("4 and 60 blades are looked at in CI and when pictures are asked for")
			}
			p := newSurveyor(t, browser(t), home, n)
			looked := func(state string) {
				t.Helper()
				fits(t, p.ctx)
				p.shots(state)
				if n == 12 {
					accessible(t, p.ctx)
				}
				p.c.check(t)
				p.open()
			}
			looked("entry")
			p.begin(blade450)
			if got := p.next(); !strings.Contains(got, "blade 1 ") {
				t.Errorf("the first blade is asked for as %q", got)
			}
			p.read(1, n/2)
			p.open()
			if got := p.next(); !strings.Contains(got, fmt.Sprintf("Turn blade %d to the pointer", n/2+1)) {
				t.Errorf("after %d blades: %q", n/2, got)
			}
			if title := ask[string](t, p.ctx, `document.querySelector(".drawing title").textContent`); !strings.Contains(title, fmt.Sprintf("read blade %d now", n/2+1)) {
				t.Errorf("the drawing says %q", title)
			}
			if sel := ask[string](t, p.ctx, `document.querySelector('[name="blade"]').value`); sel != strconv.Itoa(n/2+1) {
				t.Errorf("the form is for blade %s", sel)
			}
			looked("middle")
			p.read(n/2+1, n)
			p.open()
			for _, q := range ask[[]string](t, p.ctx, `[...document.querySelectorAll('.stands [name="blade"]')].map(e => e.value)`) {
				p.post("do", "confirm", "blade", q) // two bent blades stand out, and stand
			}
			p.open()
			text := p.text()
			for _, want := range []string{"Track is out", say("survey.meanpitch"), say("survey.clearance.short"), "6.00 mm", say("survey.cause")} {
				if !strings.Contains(text, want) {
					t.Errorf("the result does not say %q:\n%s", want, text)
				}
			}
			looked("result")
		})
	}
}

// What is read wrongly is questioned and never averaged: a missing blade, mm
// among inches, a digit too many, one edge alone.
func TestBadReadingsAreQuestioned(t *testing.T) {
	home := newSurveyors(t, 6)
	p := newSurveyor(t, browser(t), home, 6)
	p.begin(blade450)
	p.fill(map[string]string{"leading": "79.5"})
	p.send(`button[value="read"]`)
	if text := ask[string](t, p.ctx, `document.querySelector("#e-trailing").innerText + document.querySelector('[name="leading"]').value`); !strings.Contains(text, "wrong sign") || !strings.HasSuffix(text, "79.5") {
		t.Errorf("one edge alone: %q", text)
	}
	p.c.forgive("422")
	for i := 1; i <= 6; i++ {
		le, te := p.depths(1)
		switch i {
		case 3:
			continue // missing
		case 4:
			le = "3.13" // inches
		case 5:
			te = "1205.5" // a digit too many
		}
		p.post("do", "read", "blade", strconv.Itoa(i), "leading", le, "trailing", te)
	}
	p.open()
	if got := p.next(); !strings.Contains(got, "Turn blade 3 to the pointer") {
		t.Errorf("with blade 3 missing the page says %q", got)
	}
	asked := ask[[]string](t, p.ctx, `[...document.querySelectorAll(".questions p, .reading-now .beside")].map(e => e.innerText)`)
	for i, want := range []string{"inches", "one digit less"} {
		if len(asked) < 2 || !strings.Contains(strings.Join(asked, "\n"), fmt.Sprintf("Blade %d", 4+i)) || !strings.Contains(strings.Join(asked, "\n"), want) {
			t.Errorf("asked: %q, want a word on %q", asked, want)
		}
	}
	if ask[bool](t, p.ctx, `!!document.querySelector('button[value="finish"], button[value="moved"]')`) {
		t.Error("with a blade missing and two in question the survey can be kept")
	}
	le, te := p.depths(1)
	p.post("do", "read", "blade", "3", "leading", le, "trailing", te)
	p.open()
	if ask[bool](t, p.ctx, `!!document.querySelector('button[value="finish"], button[value="moved"]')`) {
		t.Error("with two readings in question the survey can be kept")
	}
	p.shots("question")
	accessible(t, p.ctx)
	p.open()
	if got := p.next(); !strings.Contains(got, "Turn blade 4 to the pointer again") {
		t.Errorf("with blade 4 in question the page says %q", got)
	}
	p.fill(map[string]string{"leading": le, "trailing": te}) // instead of what was read before
	p.send(`button[value="read"]`)
	row := ask[float64](t, p.ctx, `[...document.querySelectorAll('[name="visit"]')].find(e => e.closest("tr").querySelector("th").innerText.trim() === "5").value * 1`)
	p.post("do", "read", "blade", "5", "leading", le, "trailing", te)
	p.open()
	if text := p.text(); !strings.Contains(text, "they are not averaged") {
		t.Errorf("a figure beside a wrong one is averaged with it:\n%s", text)
	}
	p.post("do", "strike", "visit", strconv.Itoa(int(row)))
	p.open()
	if text := p.text(); !strings.Contains(text, "Track is inside") || strings.Contains(text, say("survey.questions.note")) {
		t.Errorf("put right, the page says:\n%s", text)
	}
	p.send(`button[value="finish"]`)
	if path := ask[string](t, p.ctx, `location.pathname`); strings.HasSuffix(path, "/survey") {
		t.Errorf("the survey of a real machine could not be kept:\n%s", p.text())
	}
	p.c.check(t)
}

// On a real machine bending needs a stated ductile material and a crack check;
// what was done is recorded, asked for again, and the job does not pass over it.
func TestStraighteningOnTheSurveyPage(t *testing.T) {
	home := newSurveyors(t, 6)
	p := newSurveyor(t, browser(t), home, 6)
	p.begin(blade450)
	p.read(1, 6)
	p.post("do", "confirm", "blade", "2")
	p.post("do", "confirm", "blade", "5")
	p.open()
	p.send(`button[value="moved"]`)
	if text := p.text(); !strings.Contains(text, say("survey.material.first")) {
		t.Errorf("blades of unknown material may be bent:\n%s", text)
	}
	do(t, p.ctx, chromedp.Navigate(p.url+"?state=1"), chromedp.WaitVisible(css(`#state`)))
	ask[bool](t, p.ctx, `(document.querySelector('[name="material"]').value = "ductile-sheet", true)`)
	p.begin(nil)
	p.send(`button[value="moved"]`)
	if text := p.text(); !strings.Contains(text, say("survey.cracks.first")) {
		t.Errorf("bent without a crack check:\n%s", text)
	}
	do(t, p.ctx, chromedp.Click(css(`[name="cracks"]`)))
	p.send(`button[value="moved"]`)
	if got := p.next(); !strings.Contains(got, "Turn blade 2 to the pointer") {
		t.Errorf("after straightening the page says %q", got)
	}
	p.c.forgive("409")
	p.c.forgive("422")
	do(t, p.ctx, chromedp.Navigate(strings.TrimSuffix(p.url, "/survey")), chromedp.WaitVisible(css(`#step`)))
	if text := ask[string](t, p.ctx, `document.querySelector("main").textContent`); !strings.Contains(text, say("job.did.straightened")) {
		t.Errorf("the history does not tell of the straightening:\n%s", text)
	}
	p.c.check(t)
}

// The drawing follows what is stated, with and without the script.
func TestDrawingFollowsWhatIsStated(t *testing.T) {
	home := newSurveyors(t, 6)
	p := newSurveyor(t, browser(t), home, 6)
	title := func() string { return ask[string](t, p.ctx, `document.querySelector("#drawing title").textContent`) }
	if got := title(); !strings.Contains(got, "6 blades") || !strings.Contains(got, "inlet side") {
		t.Errorf("the drawing says %q", got)
	}
	ask[bool](t, p.ctx, `(() => { const f = document.getElementById("state").elements; f.blades.value = "9"; f.grows.value = "upstream"; f.grows.dispatchEvent(new Event("input")); return true; })()`)
	until(t, p.ctx, `document.querySelector("#drawing title").textContent.includes("9 blades")`)
	if got := title(); !strings.Contains(got, "outlet side") {
		t.Errorf("after the ruler has changed sides: %q", got)
	}
	ask[bool](t, p.ctx, `(document.getElementById("see").hidden = false, true)`)
	p.fill(map[string]string{"blades": "5"})
	p.send(`#see`)
	if got := title(); !strings.Contains(got, "5 blades") || !strings.Contains(got, "outlet side") {
		t.Errorf("drawn by the button: %q", got)
	}
	p.c.check(t)
}
