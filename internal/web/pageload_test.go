package web

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// TestPageLoad measures what pages cost the real program at the pace of a real
// fan: up to ten states a second and a spectrum of 3,200 lines whenever it has
// changed. One browser is Chromium, whose frames are timed; the others are
// clients in this process that ask for the same things at the same times.
func TestPageLoad(t *testing.T) {
	if !long() {
		t.Skip("a measurement of half a minute and more: go run ./cmd/campaign page-load")
	}
	if runtime.GOOS != "linux" {
		t.Skip("the cost of a process is read from /proc, which only Linux has")
	}
	const span = 15 * time.Second
	d := newDemo(t, 1)
	pause(t.Context(), 8*time.Second) // the spectrum has its first average
	load, _ := os.ReadFile("/proc/loadavg")
	t.Logf("load of this machine (%d cores) before: %s", runtime.NumCPU(), strings.TrimSpace(string(load)))
	const row = "%-34s %8s %10s %12s %12s"
	t.Logf(row, "pages", "CPU, %", "states/s", "spectra/s", "kB/s a page")
	for _, c := range []struct {
		name    string
		clients int
	}{{"none", 0}, {"1 client", 1}, {"20 clients", 20}} {
		cpu, total := d.load(t, c.clients, span)
		n, s := float64(max(1, c.clients)), span.Seconds()
		t.Logf("%-34s %8.1f %10.1f %12.1f %12.1f", c.name, cpu, float64(total.states.Load())/n/s, float64(total.spectra.Load())/n/s, float64(total.bytes.Load())/n/s/1e3)
		if rate := float64(total.states.Load()) / n / s; c.clients > 0 && !(rate > 5 && rate < 10.5) {
			t.Errorf("%.1f states a second reach each of %d clients", rate, c.clients)
		}
	}
	ctx := browser(t)
	do(t, ctx, chromedp.EmulateViewport(1400, 3000), chromedp.Navigate(d.home), chromedp.WaitVisible(css(`#polar .tip`)))
	for _, clients := range []int{0, 19} {
		ask[bool](t, ctx, timeFrames)
		cpu, _ := d.load(t, clients, span)
		got := ask[struct {
			Deltas []float64
			Long   []float64
		}](t, ctx, `({Deltas: window.frames_.deltas, Long: window.frames_.long})`)
		slices.Sort(got.Deltas)
		at := func(q float64) float64 { return got.Deltas[int(q*float64(len(got.Deltas)-1))] }
		t.Logf("Chromium and %2d clients: CPU %.1f %%; %d frames, ms between them: median %.1f, 95 %% %.1f, 99 %% %.1f, most %.1f; %d long tasks (over 50 ms)",
			clients, cpu, len(got.Deltas), at(0.5), at(0.95), at(0.99), at(1), len(got.Long))
	}
	metrics := string(d.get("/metrics"))
	for line := range strings.Lines(metrics) {
		if strings.HasPrefix(line, "counterpoise_stream_skipped_total") || strings.HasPrefix(line, "counterpoise_blocks_dropped") {
			t.Log(strings.TrimSpace(line))
		}
	}
}

// timeFrames notes the time between painted frames, and long tasks.
const timeFrames = `(() => {
	const f = window.frames_ = { deltas: [], long: [] };
	new PerformanceObserver((l) => l.getEntries().forEach((e) => f.long.push(e.duration))).observe({ entryTypes: ["longtask"] });
	let last = 0;
	const tick = (now) => { if (window.frames_ !== f) return; if (last) f.deltas.push(now - last); last = now; requestAnimationFrame(tick); };
	requestAnimationFrame(tick);
	return true;
})()`

// tally is what clients received.
type tally struct{ states, spectra, bytes atomic.Int64 }

// load lets so many clients look for a time and returns the processor time that
// the program used, in percent of one core.
func (d *demo) load(t *testing.T, clients int, span time.Duration) (cpu float64, total *tally) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	total = &tally{}
	var all sync.WaitGroup
	for range clients {
		all.Go(func() { d.client(ctx, total) })
	}
	pause(ctx, time.Second) // all are in
	total.states.Store(0)
	total.spectra.Store(0)
	total.bytes.Store(0)
	before, began := d.ticks(t), time.Now()
	pause(ctx, span)
	cpu = float64(d.ticks(t)-before) / time.Since(began).Seconds() // a tick is 10 ms
	cancel()
	all.Wait()
	return cpu, total
}

// ticks is the processor time of the program so far, in hundredths of a second
// (proc(5), fields 14 and 15 of stat; USER_HZ is 100 on Linux).
func (d *demo) ticks(t *testing.T) int {
	t.Helper()
	b, err := os.ReadFile("/proc/" + strconv.Itoa(d.cmd.Process.Pid) + "/stat")
	must(t, err)
	fields := strings.Fields(string(b[strings.LastIndex(string(b), ")")+1:]))
	user, err1 := strconv.Atoi(fields[11])
	system, err2 := strconv.Atoi(fields[12])
	must(t, err1)
	must(t, err2)
	return user + system
}

// client does what a live page does: it listens to the stream and fetches the
// spectrum of the first channel whenever it has changed, at most four times a
// second.
func (d *demo) client(ctx context.Context, total *tally) {
	get := func(path string) (*http.Response, error) {
		r, err := http.NewRequestWithContext(ctx, "GET", d.home+"/api/v1/stations/bench-fan"+path, nil)
		if err != nil {
			return nil, err
		}
		return http.DefaultClient.Do(r)
	}
	resp, err := get("/events")
	if err != nil {
		return
	}
	defer resp.Body.Close()
	var seen float64
	var fetched time.Time
	in := bufio.NewScanner(resp.Body)
	in.Buffer(nil, 1<<20)
	for in.Scan() {
		total.bytes.Add(int64(len(in.Bytes()) + 1))
		text, ok := strings.CutPrefix(in.Text(), "data: ")
		if !ok {
			continue
		}
		total.states.Add(1)
		var s struct {
			Pictures struct{ Spectrum float64 }
		}
		if json.Unmarshal([]byte(text), &s) != nil || s.Pictures.Spectrum == seen || time.Since(fetched) < 250*time.Millisecond {
			continue
		}
		seen, fetched = s.Pictures.Spectrum, time.Now()
		sp, err := get("/spectrum?channel=DE-H")
		if err != nil {
			return
		}
		n, _ := io.Copy(io.Discard, sp.Body)
		sp.Body.Close()
		total.bytes.Add(n)
		total.spectra.Add(1)
	}
}
