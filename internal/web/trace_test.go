package web

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"counterpoise/internal/acq"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
	"counterpoise/internal/station/trace"
	"counterpoise/internal/store"
)

// rigFeed gives the blocks of a virtual fan without a wire between, so that a
// loaded machine makes it slow but loses nothing.
type rigFeed struct {
	r     *rig.Rig
	setup *acq.Setup
	at    uint64
	edges uint64
}

func newRigFeed(r *rig.Rig) *rigFeed {
	d := r.Describe()
	f := &rigFeed{r: r, setup: &acq.Setup{Source: "rig", Board: "none", Rate: d.Rate, TickHz: d.Rate, HasTach: true, PulsesPerTurn: d.Pulses}}
	for _, name := range d.Channels {
		q := map[bool]rotor.Quantity{true: rotor.Displacement, false: rotor.Acceleration}[name == "track"]
		f.setup.Channels = append(f.setup.Channels, acq.Channel{Name: name, Quantity: q, Scale: 1})
	}
	return f
}

func (f *rigFeed) Next(ctx context.Context) (*acq.Block, error) {
	const size = 512
	if !pause(ctx, time.Duration(float64(time.Second)*size/f.setup.Rate/fanPace())) {
		return nil, ctx.Err()
	}
	rec, err := f.r.Record(size)
	if err != nil {
		return nil, err
	}
	b := &acq.Block{Setup: f.setup, Tick: f.at, Sample: f.at}
	for _, v := range rec.Samples {
		x := make([]float32, len(v))
		for i := range v {
			x[i] = float32(v[i])
		}
		b.Samples = append(b.Samples, x)
	}
	for _, e := range rec.Edges {
		b.Edges = append(b.Edges, acq.Edge{Pos: e, Number: f.edges})
		f.edges++
	}
	f.at += size
	return b, nil
}
func (f *rigFeed) Setup() *acq.Setup  { return f.setup }
func (f *rigFeed) Counts() acq.Counts { return acq.Counts{} }
func (f *rigFeed) Close() error       { return nil }
func (f *rigFeed) Link() acq.Link     { return acq.Link{Up: true, State: acq.Running} }

// traceBed serves a virtual fan that lives faster than the wall clock.
func traceBed(t *testing.T, preset string) (s *Server, address string, r *rig.Rig) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	r, err := rig.New(preset, 1)
	must(t, err)
	quiet := slog.New(slog.DiscardHandler)
	src := newRigFeed(r)
	cfg := station.StationConfig{Name: "bench", Orders: []int{1}, Machine: r.Machine(), Planes: r.Planes()}
	st := station.New(cfg, src, quiet)
	jobs, err := store.Open(filepath.Join(t.TempDir(), "jobs.db"))
	must(t, err)
	s, err = New(Config{Stations: []*Station{{Source: st, Config: cfg, Fan: r}}, Jobs: jobs, Version: "test", Log: quiet, Now: time.Now})
	must(t, err)
	running := make(chan error, 1)
	go func() { running <- st.Run(ctx) }()
	address, stop := serve(t, s)
	t.Cleanup(func() {
		stop()
		cancel()
		if err := <-running; err != nil && err != io.EOF {
			t.Error(err)
		}
		must(t, jobs.Close())
	})
	return s, address, r
}

const traceAPI = "/api/v1/stations/bench/trace"

func getTrace(s *Server, path string) (int, string) {
	w := httptest.NewRecorder()
	s.ServeHTTP(w, httptest.NewRequest("GET", home+path, nil))
	return w.Code, w.Body.String()
}

// ended waits until what is followed has come to an end.
func ended(t *testing.T, s *Server) TraceState {
	t.Helper()
	var st TraceState
	for range 1200 {
		_, body := getTrace(s, traceAPI)
		must(t, json.Unmarshal([]byte(body), &st))
		if st.Is == traceDone || st.Is == traceFailed {
			return st
		}
		if !pause(t.Context(), 50*time.Millisecond) {
			break
		}
	}
	t.Fatalf("it never came to an end: %+v", st)
	return st
}

// A whole test by the API: the virtual fan runs, is switched off and coasts
// down, and the answer is what the fan is made of.
func TestFollowsASwitchingOff(t *testing.T) {
	s, _, r := traceBed(t, "bench-fan-soft")
	if code, body := getTrace(s, traceAPI+"/answer"); code != http.StatusConflict || !strings.Contains(body, "no result yet") {
		t.Errorf("an answer before anything was followed: %d %s", code, body)
	}
	if code, got := postTo(s, traceAPI, `{"do":"speed"}`); code != http.StatusOK || got["is"] != traceFollowing {
		t.Fatalf("%d %v", code, got)
	}
	if code, got := postTo(s, traceAPI, `{"do":"track","channel":"DE-H"}`); code != http.StatusConflict || !strings.Contains(got["error"].(string), "already") {
		t.Errorf("two at a time: %d %v", code, got)
	}
	if st := ended(t, s); st.Is != traceDone {
		t.Fatalf("%+v", st)
	}
	code, body := getTrace(s, traceAPI+"/answer?scale=um&convention=against-rotation")
	var a trace.SpeedAnswer
	must(t, json.Unmarshal([]byte(body), &a))
	if code != http.StatusOK || a.Sweep == nil || a.PowerOff == nil {
		t.Fatalf("%d: %q %q", code, a.NoSweep, a.NoPowerOff)
	}
	if a.Sweep.Channels[0].Unit != "um" || a.Convention != rotor.AgainstRotation {
		t.Errorf("in %s, %v", a.Sweep.Channels[0].Unit, a.Convention)
	}
	if !(math.Abs(*a.PowerOff.SupplyHz-r.Describe().SupplyHz) <= 0.01) {
		t.Errorf("supply %v Hz, the fan has %v", *a.PowerOff.SupplyHz, r.Describe().SupplyHz)
	}
	for _, path := range []string{"", "?part=bode", "?part=polar&channel=1"} {
		if code, svg := getTrace(s, traceAPI+"/picture"+path); code != http.StatusOK || !strings.HasPrefix(svg, "<svg") || !strings.Contains(svg, `class="modes"`) {
			t.Errorf("picture %q: %d %.80s", path, code, svg)
		}
	}
	for _, c := range []struct {
		path, want string
		code       int
	}{{"/picture?channel=99", "no such channel", 409}, {"/picture?channel=x", "no such channel", 400}, {"/picture?part=x", "bode or polar", 409}, {"/answer?at_rpm=-3", "more than 0", 422}} {
		if code, body := getTrace(s, traceAPI+c.path); code != c.code || !strings.Contains(body, c.want) {
			t.Errorf("%s: %d %s", c.path, code, body)
		}
	}
}

// What cannot be done is refused with a sentence, and a real machine is never
// followed before its cautions are ticked.
func TestTraceRefusals(t *testing.T) {
	s := atMachine(t)
	ticked := `"confirmed":["guards","clear","coast","allowed"]`
	for _, c := range []struct {
		name, body, want string
		code             int
	}{
		{"a source that cannot", `{"do":"speed",` + ticked + `}`, "cannot be followed", 409},
		{"no JSON", `{`, "JSON", 400},
		{"a misspelt key", `{"does":"speed"}`, "unknown field", 400},
	} {
		if code, got := postTo(s, traceAPI, c.body); code != c.code || !strings.Contains(got["error"].(string), c.want) {
			t.Errorf("%s: %d %v", c.name, code, got)
		}
	}
	s.stations[0].Source = &followingFake{fake: s.stations[0].Source.(*fake)}
	for _, c := range []struct {
		name, body, want string
		code             int
	}{
		{"no cautions", `{"do":"speed"}`, "Not ticked", 422},
		{"some cautions", `{"do":"speed","confirmed":["guards","clear","coast"]}`, "may be switched off", 422},
		{"nothing to end", `{"do":"end"}`, "Nothing is being followed", 409},
		{"no virtual fan", `{"do":"stop-fan"}`, "real machine", 409},
		{"an unknown act", `{"do":"fly"}`, `fly`, 409},
		{"a ratio", `{"do":"speed","belt_ratio":-2,` + ticked + `}`, "between 0 and 100", 422},
		{"blades", `{"do":"track","channel":"x","blades":1,` + ticked + `}`, "blades", 422},
		{"turns", `{"do":"track","channel":"x","turns":100000,` + ticked + `}`, "2000 turns", 422},
		{"a job that is not there", `{"do":"track","channel":"x","job":"nope",` + ticked + `}`, "nope", 404},
		{"no recording", `{"do":"speed","recording":true}`, "no recording", 409},
	} {
		if code, got := postTo(s, traceAPI, c.body); code != c.code || !strings.Contains(got["error"].(string), c.want) {
			t.Errorf("%s: %d %v", c.name, code, got)
		}
	}
	// The wrong channel is told once it is known which there are.
	if code, got := postTo(s, traceAPI, `{"do":"track","channel":"x",`+ticked+`}`); code != http.StatusOK {
		t.Fatalf("%d %v", code, got)
	}
	if st := ended(t, s); st.Is != traceFailed || !strings.Contains(st.Trouble, `no channel "x"`) {
		t.Errorf("%+v", st)
	}
}

// followingFake is a real machine that gives one block and ends.
type followingFake struct{ *fake }

func (f *followingFake) Follow(_ context.Context, tr *trace.Trace) error {
	tr.Add(&acq.Block{Setup: fakeSetup, Samples: make([][]float32, len(fakeSetup.Channels))})
	tr.End()
	return nil
}

func (f *followingFake) Replay(ctx context.Context, src acq.Source, tr *trace.Trace) error {
	return f.Follow(ctx, tr)
}

// A person with a telephone runs the test on the page, looks at the result, and
// measures the running blades.
func TestTracePageInBrowser(t *testing.T) {
	slowly(t)
	beside(t)
	t.Run("speed", func(t *testing.T) {
		_, address, _ := traceBed(t, "bench-fan-soft")
		p := tracePerson(t, address)
		do(t, p.ctx, chromedp.Click(css(`header a[href$="/trace"]`)), chromedp.WaitVisible(css(`#main`)))
		fitsPhone(t, p.ctx)
		do(t, p.ctx, chromedp.Click(css(`button.big`)), chromedp.WaitVisible(css(`#bar`)))
		p.until(`document.querySelector("#growing .turns")`)
		fitsPhone(t, p.ctx)
		p.until(`document.querySelector(".verdict") && document.readyState === "complete"`)
		if got := ask[string](t, p.ctx, `[...document.querySelectorAll(".alert")].filter(e => !e.hidden && e.offsetParent).map(e => e.textContent).join()`); got != "" {
			t.Errorf("the page complains: %s", got)
		}
		if n := ask[int](t, p.ctx, `document.querySelectorAll(".sweep-picture .modes").length`); n != 2 {
			t.Errorf("%d pictures with a fit, want Bode and polar", n)
		}
		if got := ask[string](t, p.ctx, `document.querySelector('[data-kind="electrical"]')?.textContent || ""`); !strings.Contains(got, "twice line frequency") {
			t.Errorf("gone with the current: %q", got)
		}
		shootTrace(t, p.ctx, "trace-speed")
		readable(t, p.ctx)
		p.c.check(t)
	})
	t.Run("sent", func(t *testing.T) {
		_, address, _ := traceBed(t, "bench-fan")
		raw, options, _ := rawCoastDown(t, "bench-fan-soft")
		file := filepath.Join(t.TempDir(), "coast.f32le")
		must(t, os.WriteFile(file, raw, 0o600))
		p := tracePerson(t, address)
		send := func(options string) {
			do(t, p.ctx, chromedp.SetUploadFiles(css(`details[open] [name="file"]`), []string{file}), chromedp.SendKeys(css(`details[open] [name="options"]`), options),
				chromedp.Click(css(`details[open] [name="from"]`)))
		}
		do(t, p.ctx, chromedp.Navigate(address+"/stations/bench/trace"), chromedp.Click(css(`#h-speed ~ form .sent summary`)), chromedp.WaitVisible(css(`details[open] [name="file"]`)))
		send("")
		p.until(`document.readyState === "complete" && document.querySelector('details[open] [role="alert"]')?.textContent.includes("rate=")`)
		p.c.forgive("422")
		shootTrace(t, p.ctx, "trace-sent")
		readable(t, p.ctx)
		fitsPhone(t, p.ctx)
		send(options)
		p.until(`document.querySelector(".verdict") && document.readyState === "complete"`)
		if n := ask[int](t, p.ctx, `document.querySelectorAll(".sweep-picture .modes").length`); n != 2 {
			t.Errorf("%d pictures with a fit, want Bode and polar", n)
		}
		p.c.check(t)
	})
	t.Run("track", func(t *testing.T) {
		_, address, _ := traceBed(t, "extractor-track")
		p := tracePerson(t, address)
		do(t, p.ctx, chromedp.Navigate(address+"/stations/bench/trace"), chromedp.WaitVisible(css(`[name="channel"]`)))
		p.until(`document.querySelector('[name="channel"]').value === "track"`)
		do(t, p.ctx, chromedp.Click(css(`#h-track ~ details button.big`)))
		p.until(`document.querySelectorAll(".heights tbody tr").length === 8 && document.readyState === "complete"`)
		shootTrace(t, p.ctx, "trace-track")
		readable(t, p.ctx)
		p.c.check(t)
	})
}

func tracePerson(t *testing.T, address string) *person {
	ctx := browser(t)
	do(t, ctx)
	p := &person{t: t, ctx: ctx, c: &console{}}
	p.c.listen(t, ctx)
	do(t, ctx, phone(phoneHigh), chromedp.Navigate(address), chromedp.WaitVisible(css(`header a[href$="/trace"]`)))
	return p
}

// readable: nothing that axe-core finds at level AA, and nothing beyond the edge,
// neither on a telephone nor on a desk.
func readable(t *testing.T, ctx context.Context) {
	t.Helper()
	fitsPhone(t, ctx)
	accessible(t, ctx)
	do(t, ctx, chromedp.EmulateViewport(1280, 900))
	for _, v := range violations(t, ctx) {
		t.Errorf("wide: %s", v)
	}
	if over := ask[int](t, ctx, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		t.Errorf("the page is %d px wider than a desk", over)
	}
}

// shootTrace, where pictures are asked for, takes the page on a telephone and on a desk, light and dark.
func shootTrace(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	if os.Getenv("COUNTERPOISE_SHOTS") == "" {
		return
	}
	for _, theme := range []string{"light", "dark"} {
		ask[bool](t, ctx, `document.documentElement.dataset.theme = "`+theme+`"; true`)
		shoot(t, ctx, name+"-wide-"+theme, 1280, 900)
		shoot(t, ctx, name+"-phone-"+theme, phoneWide, phoneHigh, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	ask[bool](t, ctx, `document.documentElement.dataset.theme = "auto"; true`)
}

// fitsPhone: nothing is wider than a telephone, and what is pressed is big
// enough for a thumb.
func fitsPhone(t *testing.T, ctx context.Context) {
	t.Helper()
	do(t, ctx, phone(phoneHigh))
	if over := ask[int](t, ctx, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		t.Errorf("the page is %d px wider than a telephone: %v", over, ask[[]string](t, ctx, `[...document.querySelectorAll("main *")].filter(e => e.getBoundingClientRect().right > innerWidth && !e.closest(".scroll")).map(e => e.outerHTML.slice(0, 90)).slice(0, 6)`))
	}
	for _, small := range ask[[]string](t, ctx, `[...document.querySelectorAll("button, a.button, select, input:not([type=hidden]), summary")].filter(e => e.offsetParent && (e.getBoundingClientRect().height < 44 && !e.closest("label.tick"))).map(e => e.outerHTML.slice(0, 80))`) {
		t.Errorf("too small for a thumb: %s", small)
	}
}
