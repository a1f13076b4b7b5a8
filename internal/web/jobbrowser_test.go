package web

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// person works the page of the real program by clicks and typing alone.
type person struct {
	t    *testing.T
	ctx  context.Context
	demo *demo
	name string
	c    *console
	url  string // path of the job, below the program's address
	log  []string
	wide bool // a wide window instead of a phone

	crashAt string            // blade before whose reading the program is killed, once
	seen    func(view string) // called once for every kind of view, where it is set
	met     map[string]bool   // the kinds of view that were met

	before func(view, selector string) // called before each press, where it is set
	waited time.Duration               // with nothing to press

	auto      bool     // leaves it to the page to take a reading once it has settled
	leaveBent bool     // straightens nothing
	blades    []string // that were read in surveys, in order
}

// crash kills the program and begins it again on the same folder. Every event
// that was there before is there afterwards, as it was.
func (p *person) crash() {
	p.t.Helper()
	before := p.demo.events(p.url)
	p.demo.kill()
	p.demo.begin()
	if n := lostEvents(before, p.demo.events(p.url)); n > 0 {
		p.t.Errorf("%d of %d events are lost or altered after a kill", n, len(before))
	}
	p.look()
}

// window takes the size of the person's window.
func (p *person) window() {
	if p.wide {
		do(p.t, p.ctx, chromedp.EmulateViewport(wideWide, wideHigh))
		return
	}
	do(p.t, p.ctx, phone(phoneHigh))
}

const wideWide, wideHigh = 1280, 900

// meet looks at a view of a kind that was not met before.
func (p *person) meet(view string) {
	if p.seen == nil || p.met[view] {
		return
	}
	if p.met == nil {
		p.met = map[string]bool{}
	}
	p.met[view] = true
	p.seen(view)
}

type css = chromedp.CSS

// slowly skips what the race detector would not see: the program that is driven
// is a process of its own, built without it.
func slowly(t *testing.T) {
	t.Helper()
	if raceOn {
		t.Skip("the program under test is another process, so the race detector sees nothing here; TestManyHandsOnOneJob runs the same goroutines under it")
	}
}

// beside lets a test run beside others: it has a program and a browser of its
// own, and spends its time waiting for a fan. While pictures are taken for a
// person to look at, one goes after the other.
func beside(t *testing.T) {
	t.Helper()
	if os.Getenv("COUNTERPOISE_SHOTS") == "" {
		t.Parallel()
	}
}

func newPerson(t *testing.T, ctx context.Context, d *demo, name string) *person {
	c := &console{}
	do(t, ctx)
	c.listen(t, ctx)
	return &person{t: t, ctx: ctx, demo: d, name: name, c: c}
}

// begin goes from the live page to a new job.
func (p *person) begin() {
	do(p.t, p.ctx, chromedp.Navigate(p.demo.home), chromedp.Click(css(`header a.button`)), chromedp.WaitVisible(css(`[name="by"]`)))
	p.meet("the jobs")
	do(p.t, p.ctx, chromedp.SendKeys(css(`[name="by"]`), p.name), chromedp.Click(css(`main button.big`)), chromedp.WaitVisible(css(`#step`)))
	p.url = ask[string](p.t, p.ctx, `location.pathname`)
}

func (p *person) look() {
	do(p.t, p.ctx, chromedp.Navigate(p.demo.home+p.url), chromedp.WaitVisible(css(`#step`)))
}

// at is what the page offers next.
func (p *person) at() (action, stage string) {
	return ask[string](p.t, p.ctx, `document.querySelector("#step").dataset.action`), ask[string](p.t, p.ctx, `document.querySelector("#step").dataset.stage`)
}

// idle waits until nothing is being done any more.
func (p *person) idle() {
	p.t.Helper()
	from := time.Now()
	p.until(`document.querySelector("#step") && document.querySelector("#step").dataset.doing === ""`)
	p.waited += time.Since(from)
}

// until waits for a condition, whatever page may come in the meantime.
func (p *person) until(condition string) {
	p.t.Helper()
	for range 1200 {
		ok, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](`!!(`+condition+`)`))
		if err == nil && ok {
			return
		}
		if !pause(p.ctx, 50*time.Millisecond) {
			break
		}
	}
	p.t.Fatalf("in vain waited for %s on:\n%s", condition, p.text())
}

func (p *person) text() string {
	return ask[string](p.t, p.ctx, `document.querySelector("main").innerText`)
}

// press sends a form by its button and waits for the page that follows.
func (p *person) press(selector string) {
	p.t.Helper()
	if !ask[bool](p.t, p.ctx, `!!document.querySelector(`+"`"+selector+"`"+`)`) {
		p.t.Fatalf("there is no %s on:\n%s", selector, p.text())
	}
	if p.before != nil {
		p.before(ask[string](p.t, p.ctx, `(() => { const s = document.querySelector("#step"); return s ? s.dataset.stage + ", " + s.dataset.action : "survey"; })()`), selector)
	}
	ask[bool](p.t, p.ctx, `(document.body.dataset.old = "1", true)`)
	do(p.t, p.ctx, chromedp.ScrollIntoView(css(selector)), chromedp.Click(css(selector)))
	p.until(`document.readyState === "complete" && document.body && !document.body.dataset.old && document.querySelector("main")`)
}

// step does the next step as the page says it.
func (p *person) step() (action string) {
	p.t.Helper()
	p.idle()
	action, stage := p.at()
	p.log = append(p.log, stage+"/"+action)
	p.meet(stage + ", " + action)
	if ask[bool](p.t, p.ctx, `!!document.querySelector(".act a.big")`) {
		p.survey()
		return "survey"
	}
	if action == "start" && !p.auto {
		ask[bool](p.t, p.ctx, `(document.querySelector('[name="auto"]').checked = false, true)`)
	}
	p.press(`#step .act button.big`)
	if wrong := ask[string](p.t, p.ctx, `[...document.querySelectorAll("[role=alert]:not([hidden])")].map(e => e.innerText).join("; ")`); wrong != "" {
		p.t.Fatalf("%s was refused: %s", action, wrong)
	}
	p.idle()
	return action
}

// survey reads every blade off the virtual ruler; what it shows stands in the
// fields, and for the first blade is typed all the same.
func (p *person) survey() {
	t, ctx := p.t, p.ctx
	p.press(`.act a.big`)
	if ask[bool](t, ctx, `!!document.querySelector('[name="chord"]')`) {
		p.meet("a survey begins")
		p.press(`.survey button.big`)
	}
	moved := 0
	for {
		next := ask[string](t, ctx, `document.querySelector("#h-now").innerText`)
		if !strings.HasPrefix(next, "Turn blade") {
			if moved++; p.leaveBent || moved > 2 || !ask[bool](t, ctx, `!!document.querySelector('button.big[value="moved"]')`) {
				break
			}
			p.meet("a survey that finds bent blades")
			p.press(`button.big[value="moved"]`) // straightened as advised, and read again
			continue
		}
		if p.crashAt != "" && strings.Contains(next, p.crashAt) {
			p.crashAt = ""
			p.crash()
			p.press(`.act a.big`)
			if again := ask[string](t, ctx, `document.querySelector("#h-now").innerText`); again != next {
				t.Errorf("the survey stood at %q and stands at %q after the program was begun again", next, again)
			}
			continue
		}
		if strings.Contains(next, "blade 4") {
			p.meet("a survey goes on")
		}
		shown := ask[[]string](t, ctx, `[...document.querySelectorAll(".ruler strong")].map(e => e.innerText.match(/[-0-9.]+/)[0])`)
		if strings.Contains(p.text(), "was moved") {
			p.meet("a survey reads what was moved")
		}
		if strings.Contains(next, "in question") {
			p.meet("a survey questions")
		}
		blade := ask[string](t, ctx, `document.querySelector('[name="blade"]').value`)
		if text := p.text(); slices.Contains(p.blades, blade) && !strings.Contains(text, "Blade "+blade+" was moved") && !strings.Contains(text, "in question") {
			t.Errorf("blade %s is asked for again without a reason:\n%s", blade, text)
		}
		p.blades = append(p.blades, blade)
		if filled := ask[[]string](t, ctx, `[...document.querySelectorAll('.bigfields input')].map(e => e.value)`); !slices.Equal(filled, shown) {
			t.Errorf("the ruler shows %v and the fields hold %v", shown, filled)
		}
		if len(p.blades) == 1 {
			p.typeOver(shown)
		}
		p.press(`.reading-now button.big`)
	}
	p.meet("a survey's result")
	p.press(`button[value="finish"]`)
}

// typeOver types both edges in the place of what stands in their fields.
func (p *person) typeOver(edges []string) {
	p.t.Helper()
	ask[bool](p.t, p.ctx, `(document.querySelectorAll('.bigfields input').forEach(e => { e.value = ""; }), true)`)
	do(p.t, p.ctx, chromedp.SendKeys(css(`[name="leading"]`), edges[0]), chromedp.SendKeys(css(`[name="trailing"]`), edges[1]))
}

// walk does steps until the job is closed, or stop says so.
func (p *person) walk(stop func(action, stage string) bool) {
	p.t.Helper()
	for range 60 {
		p.idle()
		action, stage := p.at()
		if action == "done" || stop != nil && stop(action, stage) {
			return
		}
		p.step()
	}
	p.t.Fatalf("the job did not end: %v\n%s", p.log, p.text())
}

// mids are the moments in the middle of every stage at which the page is loaded
// again and then the program is killed: before a step is done, or while the
// reading that it asks for is being taken.
var mids = []struct {
	stage, action string
	reading       bool
}{
	{"look", "look", false}, {"first reading", "measure", true}, {"trial", "start", false}, {"trial", "measure", true},
	{"place", "fit", false}, {"proof", "measure", true}, {"close", "close", false}, {"close", "done", false},
}

// A whole two-plane job with its survey by clicks and typing alone, the page
// loaded again and the program killed in the middle of every stage and in the
// middle of the survey.
func TestJobByHand(t *testing.T) {
	slowly(t)
	beside(t)
	t.Run("phone", func(t *testing.T) { jobByHand(t, false) })
	if long() {
		t.Run("wide", func(t *testing.T) { jobByHand(t, true) })
	}
}

// long reports whether the long trials were asked for; "campaign page" does.
func long() bool { return os.Getenv("COUNTERPOISE_LONG") != "" }

func jobByHand(t *testing.T, wide bool) {
	p := newPerson(t, browser(t), newDemo(t, 10), "Ada")
	p.wide, p.crashAt = wide, "blade 3"
	p.window()
	p.begin()
	caught, left := 0, slices.Clone(mids)
	p.walk(func(action, stage string) bool {
		if len(left) > 0 && left[0].stage == stage && left[0].action == action && len(p.log) > 2 {
			if p.interrupt(left[0].reading) {
				caught++
			}
			left = left[1:]
		}
		return false
	})
	if p.interrupt(false); len(left) > 1 || caught == 0 {
		t.Errorf("%d moments were not met (%v), %d readings were caught while they were taken", len(left)-1, left, caught)
	}
	if text := p.text(); !strings.Contains(text, say("job.closing.balanced")) {
		t.Errorf("the closed job does not say that it is balanced:\n%s", text)
	}
	fits(t, p.ctx)
	t.Logf("%d kills, %d while a reading was taken: %s", len(mids)+1, caught, strings.Join(p.log, " "))
	p.c.forgive("net::ERR_") // the stream, while the program was ended: refused, reset, cut short, not connected
	p.c.check(t)
}

// interrupt loads the page again and kills the program. Where nothing was going
// on, the page offers the same step as before; a run that was going on is over,
// because the virtual rotor stands when the program begins.
func (p *person) interrupt(reading bool) (caught bool) {
	p.t.Helper()
	step := func() string {
		return ask[string](p.t, p.ctx, `[...document.querySelectorAll("#step h2, #step .why, .todo")].map(e => e.innerText).join(" ")`)
	}
	was, stage := p.at()
	before := step()
	do(p.t, p.ctx, chromedp.Reload(), chromedp.WaitVisible(css(`#step`)))
	if after := step(); after != before {
		p.t.Errorf("loading the page again turned\n%s\ninto\n%s", before, after)
	}
	on := p.demo.weights(p.url)
	if reading {
		p.press(`#step .act button.big`)
		caught = ask[string](p.t, p.ctx, `document.querySelector("#step").dataset.doing`) == "reading"
	}
	p.crash()
	if n := p.demo.weights(p.url); n != on && was != "done" {
		p.t.Errorf("%s: %d weights were on the virtual fan, %d after the program was killed", stage, on, n)
	}
	action, now := p.at()
	if caught {
		if action != "start" {
			p.t.Errorf("%s: killed in a reading, begun again at %s, %s", stage, now, action)
		}
	} else if after := step(); !reading && after != before {
		p.t.Errorf("after a kill\n%s\nbecame\n%s", before, after)
	}
	return caught
}

// A second browser looks on: it follows without being asked, sees what is
// refused to it, and may take the job over.
func TestTwoBrowsers(t *testing.T) {
	slowly(t)
	beside(t)
	d := newDemo(t, 15)
	first := browser(t)
	ada := newPerson(t, first, d, "Ada")
	ada.wide = true
	ada.window()
	ada.begin()
	other, cancel := chromedp.NewContext(first, chromedp.WithNewBrowserContext())
	defer cancel()
	bob := newPerson(t, other, d, "Bob")
	bob.url = ada.url
	bob.window()
	bob.look()
	if text := bob.text(); !strings.Contains(text, "Ada operates this job") || ask[bool](t, other, `!!document.querySelector("#step .act")`) {
		t.Errorf("the onlooker is not told who operates, or may press what is not his:\n%s", text)
	}
	staleTab(t, ada)
	ada.walk(func(action, stage string) bool { return stage == "first reading" && action == "measure" })
	bob.until(`document.querySelector("#step").dataset.stage === "first reading" && document.querySelector("#step").dataset.action === "measure"`)
	until(t, bob.ctx, `(document.querySelector(".hand details").open = true)`)
	do(t, bob.ctx, chromedp.SendKeys(css(`.hand [name="by"]`), "Bob"), chromedp.SendKeys(css(`.hand [name="note"]`), "agreed with Ada"))
	bob.press(`.hand button`)
	ada.until(`document.querySelector(".hand")`)
	if text := ada.text(); !strings.Contains(text, "Bob operates this job") {
		t.Errorf("who lost the job is not told so:\n%s", text)
	}
	bob.walk(func(_, stage string) bool { return stage == "trial" })
	ada.until(`document.querySelector("#step").dataset.stage === "trial"`)
	do(t, bob.ctx, chromedp.Navigate(d.home+bob.url+"/compare"), chromedp.WaitVisible(css(`#h-diff`)))
	bob.c.check(t)
	ada.c.check(t)
}

// staleTab opens the job in a second tab of the same browser, types into it and
// lets the first go on. The second is told so, keeps what was typed, may not act
// on what is over, and nothing of it gets lost or into the form of another step.
func staleTab(t *testing.T, p *person) {
	ctx, cancel := chromedp.NewContext(p.ctx)
	defer cancel()
	tab := newPerson(t, ctx, p.demo, p.name)
	tab.wide, tab.url = p.wide, p.url
	tab.window()
	tab.look()
	const typed = "a crack at the hub"
	note := `#step .act details [name="note"]`
	until(t, ctx, "(document.querySelector(`"+note+"`).closest('details').open = true)")
	do(t, ctx, chromedp.SendKeys(css(note), typed))
	p.step()
	tab.until(`!document.querySelector("#moved").hidden`)
	if got := ask[string](t, ctx, "document.querySelector(`"+note+"`).value"); got != typed {
		t.Errorf("the first tab has gone on, and what was typed in the second is %q", got)
	}
	before := len(p.demo.events(p.url))
	tab.press(`#step .act button[value="no"]`)
	if text := tab.text(); !strings.Contains(text, "look at the job as it is now") || !strings.Contains(text, typed) {
		t.Errorf("the stale tab is not told so, or what was typed is lost:\n%s", text)
	}
	if got := ask[string](t, ctx, "document.querySelector(`"+note+"`)?.value ?? ''"); got != "" {
		t.Errorf("the next thing to look at has the note on the one before: %q", got)
	}
	if n := len(p.demo.events(p.url)); n != before {
		t.Errorf("a stale press stored %d events", n-before)
	}
	tab.c.forgive("409")
	tab.c.check(t)
}

// What was typed stays, the message stands beside the field, and every view
// passes at AA, also with messages shown.
func TestJobFormsInBrowser(t *testing.T) {
	slowly(t)
	beside(t)
	d := newDemo(t, 15)
	p := newPerson(t, browser(t), d, "Ada")
	do(t, p.ctx, phone(phoneHigh), chromedp.Navigate(d.home+"/stations/bench-fan/jobs"), chromedp.WaitVisible(css(`[name="by"]`)))
	ask[bool](t, p.ctx, `(document.querySelector("main details").open = true)`)
	do(t, p.ctx, chromedp.SendKeys(css(`[name="by"]`), "Ada"), chromedp.SendKeys(css(`[name="tolerance"]`), "o.7"))
	p.press(`main button.big`)
	if got := ask[string](t, p.ctx, `document.querySelector('[name="tolerance"]').value + "|" + document.querySelector("#e-tolerance").innerText + "|" + document.querySelector('[name="by"]').value`); !strings.HasPrefix(got, "o.7|") || !strings.Contains(got, "is no number") || !strings.HasSuffix(got, "|Ada") {
		t.Errorf("after a slip the form shows %q", got)
	}
	p.c.forgive("422")
	views := []string{"the jobs"}
	check := func(view string) { views = append(views, view); accessible(t, p.ctx) }
	check("a refused form")
	p.begin()
	check("the cautions")
	p.look()
	p.walk(func(string, string) bool { return ask[bool](t, p.ctx, `!!document.querySelector(".act a.big")`) })
	p.press(`.act a.big`)
	check("a survey begins")
	p.press(`.survey button.big`)
	// A reading in inches among millimetres is questioned, never averaged.
	for n := range 6 {
		shown := []string{"82.9", "117.1"}
		if n == 3 {
			shown = []string{"3.26", "117.1"}
		}
		p.typeOver(shown)
		p.press(`.reading-now button.big`)
	}
	if text := p.text(); !strings.Contains(text, "Blade 4") || !strings.Contains(text, "inches") {
		t.Errorf("3.26 among 82.9 is not questioned:\n%s", text)
	}
	p.picture("survey-question")
	check("a question")
	if ask[bool](t, p.ctx, `!!document.querySelector('button[value="finish"]')`) {
		t.Error("a survey with an open question can be finished")
	}
	p.look()
	check("the job")
	t.Log("looked at: ", views)
	p.c.check(t)
}

// Every kind of view that a whole job shows is free of violations at AA and fits
// its window, on a phone and wide, light and dark.
func TestEveryView(t *testing.T) {
	slowly(t)
	if !long() {
		t.Skip("a long trial: go run ./cmd/campaign page")
	}
	for _, wide := range []bool{false, true} {
		p := newPerson(t, browser(t), newDemo(t, 4), "Ada")
		p.wide = wide
		size := "phone"
		if wide {
			size = "wide"
		}
		var views []string
		p.seen = func(view string) {
			views = append(views, view)
			t.Run(size+"/"+view, func(t *testing.T) { p.inspect(t, size+"-"+view) })
		}
		p.window()
		do(t, p.ctx, chromedp.Navigate(p.demo.home), chromedp.WaitVisible(css(`#polar .tip`)))
		p.meet("live")
		p.begin()
		p.walk(nil)
		p.meet("closed")
		do(t, p.ctx, chromedp.Navigate(p.demo.home+p.url+"/compare"), chromedp.WaitVisible(css(`#h-diff`)))
		p.meet("compare")
		do(t, p.ctx, chromedp.Navigate(p.demo.home+p.url+"/survey"), chromedp.WaitVisible(css(`main`)))
		p.meet("the survey afterwards")
		do(t, p.ctx, chromedp.Navigate(p.demo.home+"/case"), chromedp.WaitVisible(css(`main`)))
		p.meet("a case")
		do(t, p.ctx, chromedp.Navigate(p.demo.home+"/login"), chromedp.WaitVisible(css(`main`)))
		p.meet("login")
		p.c.forgive("username fields") // a token has no user name; the browser says so at its lowest level
		t.Logf("%s: %d views: %s", size, len(views), strings.Join(views, "; "))
		p.c.check(t)
	}
}

// inspect looks at the view as it is, in both looks; the window stays as it was.
func (p *person) inspect(t *testing.T, name string) {
	fits(t, p.ctx)
	ask[bool](t, p.ctx, axe(t)+"; true")
	dir := os.Getenv("COUNTERPOISE_SHOTS")
	for _, theme := range []string{"light", "dark"} {
		_, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}}})
		must(t, err)
		for _, v := range violations(t, p.ctx) {
			t.Errorf("%s: %s", theme, v)
		}
		if dir == "" {
			continue
		}
		ask[bool](t, p.ctx, `(async () => { for (const e of document.querySelectorAll("canvas, img")) { e.scrollIntoView(); await (e.decode ? e.decode() : new Promise((r) => setTimeout(r, 600))); } scrollTo(0, 0); return true; })()`)
		png, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(100))
		must(t, err)
		must(t, os.WriteFile(filepath.Join(dir, strings.NewReplacer(" ", "-", ",", "", "'", "").Replace(name)+"-"+theme+".png"), png, 0o644))
	}
}

// picture keeps what a person should look at, in both looks.
func (p *person) picture(name string) {
	if os.Getenv("COUNTERPOISE_SHOTS") == "" {
		return
	}
	for _, theme := range []string{"light", "dark"} {
		ask[string](p.t, p.ctx, `document.documentElement.dataset.theme = "`+theme+`"`)
		high := ask[float64](p.t, p.ctx, `document.documentElement.scrollHeight`)
		shoot(p.t, p.ctx, name+"-phone-"+theme, phoneWide, int64(high), chromedp.EmulateMobile, chromedp.EmulateTouch)
		shoot(p.t, p.ctx, name+"-wide-"+theme, 1200, 900)
	}
	do(p.t, p.ctx, phone(phoneHigh))
}
