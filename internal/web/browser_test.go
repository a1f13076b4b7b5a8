package web

import (
	"context"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
)

// browser starts a headless Chromium of its own; a missing one skips the test
// on a desk and fails it in CI.
func browser(t *testing.T) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if os.Getenv("CI") == "true" {
			t.Fatal("no Chromium found, and CI must look at the page: install chromium")
		}
		t.Skip("no Chromium on this machine; the page was not looked at")
	}
	opts := []chromedp.ExecAllocatorOption{chromedp.ExecPath(path), chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck,
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("hide-scrollbars", true),
	}
	patience := 3 * time.Minute
	if long() {
		patience = 20 * time.Minute
	}
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	ctx, cancelAlloc := chromedp.NewExecAllocator(ctx, opts...)
	t.Cleanup(cancelAlloc)
	ctx, cancelTab := chromedp.NewContext(ctx)
	t.Cleanup(cancelTab)
	return ctx
}

// console gathers everything the browser complains about.
type console struct {
	mu     sync.Mutex
	errors []string
}

func (c *console) listen(t *testing.T, ctx context.Context) {
	t.Helper()
	err := chromedp.Listen(ctx, func(ev any) {
		c.mu.Lock()
		defer c.mu.Unlock()
		switch e := ev.(type) {
		case *runtime.EventConsoleAPICalled:
			if e.Type == "error" || e.Type == "warning" || e.Type == "assert" {
				for _, a := range e.Args {
					c.errors = append(c.errors, string(e.Type)+": "+string(a.Value)+a.Description)
				}
			}
		case *runtime.EventExceptionThrown:
			text := e.ExceptionDetails.Text
			if x := e.ExceptionDetails.Exception; x != nil {
				text += " " + x.Description
			}
			c.errors = append(c.errors, text)
		case *log.EventEntryAdded:
			c.errors = append(c.errors, string(e.Entry.Level)+": "+e.Entry.Text+" "+e.Entry.URL)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
}

func (c *console) check(t *testing.T) {
	t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, e := range c.errors {
		t.Errorf("the browser complains: %s", e)
	}
}

// forgive takes back complaints that a test provoked.
func (c *console) forgive(about string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.errors = slices.DeleteFunc(c.errors, func(e string) bool { return strings.Contains(e, about) })
}

// do runs steps and ends the test if one fails.
func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// ask evaluates a script; a promise is awaited.
func ask[T any](t *testing.T, ctx context.Context, script string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: %v", script, err)
	}
	return v
}

// until waits for a condition in the page, at most ten seconds.
func until(t *testing.T, ctx context.Context, condition string) {
	t.Helper()
	if !ask[bool](t, ctx, `new Promise(r => { let n = 0; const t = setInterval(() => { const ok = !!(`+condition+`); if (ok || ++n > 200) { clearInterval(t); r(ok); } }, 50); })`) {
		t.Fatalf("in vain waited for %s", condition)
	}
}

// serve runs a server on a free port until it is stopped or the test ends.
func serve(t *testing.T, s *Server) (address string, stop func()) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, ln) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(stop)
	return "http://" + ln.Addr().String(), stop
}

// animate keeps a fake moving until the test ends.
func animate(t *testing.T, f *fake) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	rng := rand.New(rand.NewPCG(1, 2))
	base := turning()
	step := func() {
		s := wander(base, rng)
		s.At = time.Now()
		f.set(s)
	}
	step()
	go func() {
		defer close(done)
		for pause(ctx, 100*time.Millisecond) {
			step()
		}
	}()
	t.Cleanup(func() { cancel(); <-done })
}

// shoot takes a picture of the whole page; COUNTERPOISE_SHOTS names a folder
// that keeps it for a person to look at.
func shoot(t *testing.T, ctx context.Context, name string, w, h int64, opts ...chromedp.EmulateViewportOption) {
	t.Helper()
	do(t, ctx, chromedp.EmulateViewport(w, h, opts...))
	settle(t, ctx)
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	if dir := os.Getenv("COUNTERPOISE_SHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// settle waits for the next state of the stream and its painting.
func settle(t *testing.T, ctx context.Context) {
	t.Helper()
	ask[bool](t, ctx, `new Promise(r => setTimeout(() => requestAnimationFrame(() => r(true)), 600))`)
}

const phoneWide, phoneHigh = 390, 844

// phone is the window of a phone.
func phone(high int64) chromedp.Action[chromedp.Void] {
	return chromedp.EmulateViewport(phoneWide, high, chromedp.EmulateMobile, chromedp.EmulateTouch)
}

// openLive opens the page of a moving fake with a virtual fan behind it.
func openLive(t *testing.T) (ctx context.Context, c *console, address string, stop func()) {
	t.Helper()
	f := newFake("bench fan")
	s := newServer(t, Config{Version: "test", Now: time.Now}, f)
	s.stations[0].Config.Channels = fakeChannels
	s.stations[0].Config.Machine = rotor.Machine{Power: 2200, Blades: 6, LineHz: 60}
	s.stations[0].Fan = &fakeFan{state: rig.State{Motion: rig.Running, SupplyOn: true, Plugged: true,
		Blades: []rig.Blade{{Number: 1}, {Number: 2}}}}
	animate(t, f)
	address, stop = serve(t, s)
	ctx = browser(t)
	do(t, ctx)
	c = &console{}
	c.listen(t, ctx)
	do(t, ctx, phone(phoneHigh), chromedp.Navigate(address), chromedp.WaitVisible(chromedp.CSS("#polar .tip")))
	return ctx, c, address, stop
}

func TestPageInBrowser(t *testing.T) {
	ctx, c, address, stop := openLive(t)
	t.Run("first view", func(t *testing.T) { firstView(t, ctx, address) })
	t.Run("fits a thumb", func(t *testing.T) { fits(t, ctx) })
	t.Run("sensors", func(t *testing.T) { pickSensor(t, ctx) })
	t.Run("spectrum", func(t *testing.T) { readsSpectrum(t, ctx) })
	t.Run("virtual fan", func(t *testing.T) { stopsFan(t, ctx, c) })
	t.Run("settings", func(t *testing.T) { changesUnits(t, ctx) })
	if os.Getenv("COUNTERPOISE_SHOTS") != "" {
		t.Run("looks", func(t *testing.T) { looks(t, ctx, address) })
	}
	t.Run("accessible", func(t *testing.T) { accessible(t, ctx) })
	c.check(t)
	t.Run("daemon lost", func(t *testing.T) { lost(t, ctx, stop) })
}

// looks takes the pictures that a person should look at after a change.
func looks(t *testing.T, ctx context.Context, address string) {
	for _, theme := range []string{"light", "dark"} {
		ask[string](t, ctx, `document.documentElement.dataset.theme = "`+theme+`"`)
		shoot(t, ctx, "live-phone-"+theme, phoneWide, 3900, chromedp.EmulateMobile, chromedp.EmulateTouch)
		shoot(t, ctx, "live-wide-"+theme, 1400, 1500)
	}
	ask[bool](t, ctx, `(document.querySelector(".caution details").open = true)`)
	shoot(t, ctx, "cautions-phone", phoneWide, phoneHigh, chromedp.EmulateMobile, chromedp.EmulateTouch)
	do(t, ctx, chromedp.Navigate(address+"/login?code=ABC"))
	shoot(t, ctx, "login-phone", phoneWide, phoneHigh, chromedp.EmulateMobile, chromedp.EmulateTouch)
	do(t, ctx, chromedp.Navigate(address), chromedp.WaitVisible(chromedp.CSS("#polar .tip")))
}

func firstView(t *testing.T, ctx context.Context, address string) {
	if amplitude := ask[string](t, ctx, `document.querySelector("#sensors tr td .num").textContent`); !strings.HasPrefix(amplitude, "4.") {
		t.Errorf("DE-H shows %q, want about 4.81", amplitude)
	}
	for _, u := range ask[[]string](t, ctx, `performance.getEntriesByType("resource").map(e => e.name)`) {
		if !strings.HasPrefix(u, address) {
			t.Errorf("the page asked another host: %s", u)
		}
	}
	size := ask[float64](t, ctx, `[...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")].reduce((n, e) => n + e.transferSize, 0)`)
	if !(size > 1e4 && size < 200e3) {
		t.Errorf("the first view takes %.0f bytes, want less than 200 kB", size)
	}
	t.Logf("first view: %.0f kB", size/1e3)
}

// fits holds targets to 48 px and the page to the width of the window.
func fits(t *testing.T, ctx context.Context) {
	if wide, has := ask[float64](t, ctx, `document.documentElement.scrollWidth`), ask[float64](t, ctx, `document.documentElement.clientWidth`); wide > has { // not innerWidth: a phone zooms out until all is in it
		t.Errorf("the page is %.0f px wide in a window of %.0f: %q", wide, has, ask[[]string](t, ctx, `[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth).map(e => e.outerHTML.slice(0, 90))`))
	}
	for _, small := range ask[[]string](t, ctx, `[...document.querySelectorAll("button, select, input, summary, a")].filter(e => {
		const r = (e.type === "checkbox" ? e.closest("label") : e).getBoundingClientRect();
		return r.width && !e.closest(".vh, .skip") && !e.matches(".skip") && (r.height < 48 || r.width < 48);
	}).map(e => e.outerHTML.slice(0, 80))`) {
		t.Errorf("too small for a thumb: %s", small)
	}
}

func pickSensor(t *testing.T, ctx context.Context) {
	do(t, ctx, chromedp.Click(chromedp.CSS(`#pick button[data-i="1"]`)))
	if got := ask[string](t, ctx, `document.querySelector('#pick [aria-pressed="true"]').textContent`); !strings.HasSuffix(got, "DE-V") {
		t.Errorf("picked %q", got)
	}
	if got := ask[string](t, ctx, `document.querySelector("#axis").closest(".controls").querySelector("[data-sensor]").value`); got != "1" {
		t.Errorf("the spectrum stayed with sensor %s", got)
	}
}

// readsSpectrum moves the cursor by keys and reads it on each axis: 1x is at
// 1480.2 rpm, that is 24.67 Hz (24.669 between the lines).
func readsSpectrum(t *testing.T, ctx context.Context) {
	do(t, ctx, chromedp.ScrollIntoView(chromedp.CSS("#spectrum")))
	until(t, ctx, `document.querySelector("#spectrum-read").textContent`)
	for axis, want := range map[string]string{"hz": "24.669 ±", "cpm": "1480.", "orders": "1.000"} {
		got := ask[string](t, ctx, `(() => { const a = document.querySelector("#axis"); a.value = "`+axis+`"; a.dispatchEvent(new Event("change", {bubbles: true}));
			return document.querySelector("#spectrum-read").textContent; })()`)
		if !strings.HasPrefix(got, want) || !strings.Contains(got, "mm/s rms") || !strings.Contains(got, "1x: ") {
			t.Errorf("on the %s axis the cursor reads %q, want %s", axis, got, want)
		}
	}
	before := ask[string](t, ctx, `document.querySelector("#spectrum-read").textContent`)
	do(t, ctx, chromedp.Focus(chromedp.CSS("#spectrum")), chromedp.KeyEvent(kb.PageDown))
	if got := ask[string](t, ctx, `document.querySelector("#spectrum-read").textContent`); got == before || !strings.Contains(got, "2x: ") {
		t.Errorf("the next peak by keys is %q, want 2x", got)
	}
}

// stopsFan works the virtual fan; what it refuses is shown as a sentence.
func stopsFan(t *testing.T, ctx context.Context, c *console) {
	word := `document.querySelector("#fan-word").textContent`
	refused := `document.querySelector("#fan-refused").textContent`
	ask[bool](t, ctx, `(() => { for (const d of document.querySelectorAll("#fan details")) d.open = true; return true; })()`)
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`#fan-fit [name="mass"]`), "5"), chromedp.Click(chromedp.CSS(`#fan-fit button:not([type])`)),
		chromedp.WaitVisible(chromedp.CSS("#fan-refused")))
	if got := ask[string](t, ctx, refused); !strings.Contains(got, "turns") {
		t.Errorf("a weight on a turning rotor: %q", got)
	}
	c.forgive("409") // the browser logs the refusal that was asked for
	do(t, ctx, chromedp.Click(chromedp.CSS(`#fan [data-do="stop"]`)), chromedp.WaitNotVisible(chromedp.CSS("#fan-refused")))
	if got := ask[string](t, ctx, word); got != say("rig.still") {
		t.Errorf("after switching off: %q", got)
	}
	do(t, ctx, chromedp.Click(chromedp.CSS(`#fan-fit button:not([type])`)))
	until(t, ctx, `document.querySelector("#fan-weights").textContent.includes("5 g")`)
}

func changesUnits(t *testing.T, ctx context.Context) {
	do(t, ctx, chromedp.SetValue(chromedp.CSS(`[name="scale"]`), "in/s"), chromedp.SetValue(chromedp.CSS(`[name="convention"]`), "against-rotation"),
		chromedp.Click(chromedp.CSS(`.set button`)), chromedp.WaitVisible(chromedp.CSS(`#polar[data-against="true"] .tip`)))
	if unit := ask[string](t, ctx, `document.querySelector("[data-unit]").textContent`); unit != "in/s peak" {
		t.Errorf("the unit is %q", unit)
	}
	if phase := ask[string](t, ctx, `document.querySelector("#sensors tr td:nth-child(3) .num").textContent`); !strings.HasPrefix(phase, "29") {
		t.Errorf("against rotation the phase reads %q, want about 296.9", phase)
	}
	do(t, ctx, chromedp.SetValue(chromedp.CSS(`[name="scale"]`), "mm/s"), chromedp.SetValue(chromedp.CSS(`[name="convention"]`), "with-rotation"),
		chromedp.Click(chromedp.CSS(`.set button`)), chromedp.WaitVisible(chromedp.CSS(`#polar[data-against="false"] .tip`)))
}

// accessible asks axe-core for violations of WCAG 2.2 at level AA, in both looks.
func accessible(t *testing.T, ctx context.Context) {
	do(t, ctx, phone(phoneHigh))
	script := axe(t)
	ask[bool](t, ctx, script+"; true")
	for _, theme := range []string{"light", "dark"} {
		ask[string](t, ctx, `document.documentElement.dataset.theme = "`+theme+`"`)
		ask[bool](t, ctx, `(document.querySelectorAll("details").forEach(d => d.open = true), true)`)
		for _, v := range violations(t, ctx) {
			t.Errorf("%s: %s", theme, v)
		}
	}
}

// violations asks axe-core, which must be loaded, what it finds at level AA.
func violations(t *testing.T, ctx context.Context) []string {
	return ask[[]string](t, ctx, `(async () => {
		const r = await axe.run({runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]});
		return r.violations.map(v => v.id + ": " + v.help + ": " + v.nodes.map(n => n.html.slice(0, 120)).join(" | "));
	})()`)
}

// lost ends the daemon. A page that has lost it must say so: old numbers look
// like new ones.
func lost(t *testing.T, ctx context.Context, stop func()) {
	if ask[bool](t, ctx, `!document.querySelector("#lost").hidden`) {
		t.Error("the page misses a daemon that is there")
	}
	stop()
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS("#lost")))
}
