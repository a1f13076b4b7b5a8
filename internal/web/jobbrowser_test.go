package web

import (
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// person works the page by clicks and typing alone.
type person struct {
	t    *testing.T
	ctx  context.Context
	bed  *bed
	name string
	c    *console
	url  string // path of the job, below the bed's address
	log  []string

	crashAt string // blade before whose reading the program ends and begins again, once
}

// crash ends the program and begins it again on the same folder.
func (p *person) crash() {
	p.bed.end()
	p.bed.begin()
	p.look()
}

type css = chromedp.CSS

// slowly skips a whole job in a browser under the race detector, see raceOn.
func slowly(t *testing.T) {
	t.Helper()
	if raceOn {
		t.Skip("whole jobs in a browser run without the race detector; TestManyHandsOnOneJob runs the same goroutines under it")
	}
}

func newPerson(t *testing.T, ctx context.Context, b *bed, name string) *person {
	c := &console{}
	do(t, ctx)
	c.listen(t, ctx)
	return &person{t: t, ctx: ctx, bed: b, name: name, c: c}
}

// begin goes from the live page to a new job.
func (p *person) begin() {
	do(p.t, p.ctx, chromedp.Navigate(p.bed.home), chromedp.Click(css(`header a.button`)), chromedp.WaitVisible(css(`[name="by"]`)),
		chromedp.SendKeys(css(`[name="by"]`), p.name), chromedp.Click(css(`main button.big`)), chromedp.WaitVisible(css(`#step`)))
	p.url = ask[string](p.t, p.ctx, `location.pathname`)
}

func (p *person) look() {
	do(p.t, p.ctx, chromedp.Navigate(p.bed.home+p.url), chromedp.WaitVisible(css(`#step`)))
}

// at is what the page offers next.
func (p *person) at() (action, stage string) {
	return ask[string](p.t, p.ctx, `document.querySelector("#step").dataset.action`), ask[string](p.t, p.ctx, `document.querySelector("#step").dataset.stage`)
}

// idle waits until nothing is being done any more.
func (p *person) idle() {
	p.t.Helper()
	p.until(`document.querySelector("#step") && document.querySelector("#step").dataset.doing === ""`)
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
	if ask[bool](p.t, p.ctx, `!!document.querySelector(".act a.big")`) {
		p.survey()
		return "survey"
	}
	p.press(`#step .act button.big`)
	if wrong := ask[string](p.t, p.ctx, `[...document.querySelectorAll("[role=alert]:not([hidden])")].map(e => e.innerText).join("; ")`); wrong != "" {
		p.t.Fatalf("%s was refused: %s", action, wrong)
	}
	p.idle()
	return action
}

// survey reads every blade off the virtual ruler and types what it shows.
func (p *person) survey() {
	t, ctx := p.t, p.ctx
	p.press(`.act a.big`)
	if ask[bool](t, ctx, `!!document.querySelector('[name="chord"]')`) {
		p.press(`.survey button.big`)
	}
	for {
		next := ask[string](t, ctx, `document.querySelector("#h-now").innerText`)
		if !strings.HasPrefix(next, "Turn blade") {
			break
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
			p.picture("survey")
		}
		shown := ask[[]string](t, ctx, `[...document.querySelectorAll(".ruler strong")].map(e => e.innerText.match(/[-0-9.]+/)[0])`)
		do(t, ctx, chromedp.SendKeys(css(`[name="leading"]`), shown[0]), chromedp.SendKeys(css(`[name="trailing"]`), shown[1]))
		p.press(`.reading-now button.big`)
	}
	p.picture("survey-result")
	p.press(`button[value="finish"]`)
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

// A whole two-plane job with its survey by clicks and typing alone, on a phone,
// with a reload and with the program ended and begun again in the middle.
func TestJobByHandOnPhone(t *testing.T) {
	slowly(t)
	b := newBed(t)
	p := newPerson(t, browser(t), b, "Ada")
	do(t, p.ctx, phone(phoneHigh))
	p.begin()
	p.walk(func(string, string) bool { return ask[bool](t, p.ctx, `!!document.querySelector(".act a.big")`) })
	p.crashAt = "blade 3" // in the middle of the survey
	p.walk(func(action, stage string) bool { return stage == "first reading" && action == "measure" })
	p.crash() // the rotor was running: the virtual one now stands, and that is recorded
	if action, _ := p.at(); action != "start" {
		t.Errorf("begun again in the middle of a run, the job offers %q", action)
	}
	p.walk(func(action, stage string) bool { return stage == "trial" && action == "fit" })
	p.picture("job-trial")
	do(t, p.ctx, chromedp.Reload(), chromedp.WaitVisible(css(`#step`)))
	if _, stage := p.at(); stage != "trial" {
		t.Errorf("after a reload the job is at %q", stage)
	}
	p.step() // the trial weight is on
	p.crash()
	if n := len(b.rig.State().Weights); n != 1 {
		t.Errorf("after the program was begun again %d weights are on the virtual fan, want the trial weight", n)
	}
	fits(t, p.ctx)
	p.walk(func(action, _ string) bool {
		return action == "fit" && ask[bool](t, p.ctx, `document.querySelectorAll(".placing").length === 2`)
	})
	p.picture("job-place")
	p.walk(func(action, stage string) bool { return stage == "proof" })
	p.crash()
	p.walk(func(action, _ string) bool { return action == "close" })
	p.crash()
	p.picture("job-close")
	p.walk(nil)
	if text := p.text(); !strings.Contains(text, say("job.closing.balanced")) {
		t.Errorf("the closed job does not say that it is balanced:\n%s", text)
	}
	t.Log(strings.Join(p.log, " "))
	p.c.forgive("ERR_CONNECTION_REFUSED") // the stream, while the program was ended
	p.c.forgive("ERR_INCOMPLETE_CHUNKED_ENCODING")
	p.c.check(t)
}

// In a wide window a second browser looks on: it follows without being asked,
// is refused with a sentence when it operates, and may take the job over.
func TestTwoBrowsersAndAWideWindow(t *testing.T) {
	slowly(t)
	b := newBed(t)
	first := browser(t)
	ada := newPerson(t, first, b, "Ada")
	do(t, ada.ctx, chromedp.EmulateViewport(1200, 900))
	ada.begin()
	other, cancel := chromedp.NewContext(first, chromedp.WithNewBrowserContext())
	defer cancel()
	bob := newPerson(t, other, b, "Bob")
	bob.url = ada.url
	do(t, bob.ctx, phone(phoneHigh))
	bob.look()
	if text := bob.text(); !strings.Contains(text, "Ada operates this job") {
		t.Errorf("the onlooker is not told who operates:\n%s", text)
	}
	ada.walk(func(_, stage string) bool { return stage == "first reading" })
	bob.until(`document.querySelector("#step").dataset.stage === "first reading"`)
	until(t, bob.ctx, `(document.querySelector(".hand details").open = true)`)
	do(t, bob.ctx, chromedp.SendKeys(css(`.hand [name="by"]`), "Bob"), chromedp.SendKeys(css(`.hand [name="note"]`), "agreed with Ada"))
	bob.press(`.hand button`)
	ada.until(`document.querySelector(".hand")`)
	bob.walk(nil)
	if text := bob.text(); !strings.Contains(text, say("job.closing.balanced")) {
		t.Errorf("the job did not end balanced:\n%s", text)
	}
	do(t, bob.ctx, chromedp.Navigate(b.home+bob.url+"/compare"), chromedp.WaitVisible(css(`#h-diff`)))
	if text := bob.text(); !strings.Contains(text, say("compare.sure")) {
		t.Errorf("as found against the proof shows no change:\n%s", text)
	}
	bob.picture("compare")
	bob.c.check(t)
	ada.c.check(t)
}

// What was typed stays, the message stands beside the field, and every view
// passes at AA, also with messages shown.
func TestJobFormsInBrowser(t *testing.T) {
	slowly(t)
	b := newBed(t)
	p := newPerson(t, browser(t), b, "Ada")
	do(t, p.ctx, phone(phoneHigh), chromedp.Navigate(b.home+"/stations/bench%20fan/jobs"), chromedp.WaitVisible(css(`[name="by"]`)))
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
		do(t, p.ctx, chromedp.SendKeys(css(`[name="leading"]`), shown[0]), chromedp.SendKeys(css(`[name="trailing"]`), shown[1]))
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
