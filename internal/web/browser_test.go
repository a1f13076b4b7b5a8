package web

import (
	"context"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
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
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
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

// serve runs a server on a free port until the test ends.
func serve(t *testing.T, s *Server) (address string) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, ln) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return "http://" + ln.Addr().String()
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

func TestPageInBrowser(t *testing.T) {
	f := newFake("bench fan")
	s := newServer(t, Config{Version: "test", Now: time.Now}, f)
	s.stations[0].Config.Channels = fakeChannels
	s.stations[0].Config.Machine.Power = 2200
	animate(t, f)
	address := serve(t, s)
	ctx := browser(t)
	do(t, ctx)
	var c console
	c.listen(t, ctx)
	do(t, ctx, chromedp.EmulateViewport(phoneWide, phoneHigh, chromedp.EmulateMobile, chromedp.EmulateTouch),
		chromedp.Navigate(address), chromedp.WaitVisible(chromedp.CSS("#polar .tip")))
	amplitude := ask[string](t, ctx, `document.querySelector("#sensors tr td .num").textContent`)
	if !strings.HasPrefix(amplitude, "4.") {
		t.Errorf("DE-H shows %q, want about 4.81", amplitude)
	}
	for _, u := range ask[[]string](t, ctx, `performance.getEntriesByType("resource").map(e => e.name)`) {
		if !strings.HasPrefix(u, address) {
			t.Errorf("the page asked another host: %s", u)
		}
	}
	for _, theme := range []string{"light", "dark"} {
		ask[string](t, ctx, `document.documentElement.dataset.theme = "`+theme+`"`)
		shoot(t, ctx, "live-phone-"+theme, phoneWide, 3600, chromedp.EmulateMobile, chromedp.EmulateTouch)
		shoot(t, ctx, "live-wide-"+theme, 1400, 1500)
	}
	c.check(t)
}
