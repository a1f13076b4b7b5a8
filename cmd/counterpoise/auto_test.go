package main

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/rig"
	"counterpoise/internal/station"
	"counterpoise/internal/web"
)

// A whole job for each virtual fan: bytes on a pseudo-terminal, readings,
// trials, correction on real positions, proof. This shows that the parts agree
// with each other, not that they agree with the world.
func TestUnattendedJobs(t *testing.T) {
	for _, name := range rig.Names() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			code, out, errText := invoke(t, "demo", "--auto", "--json", "--rig", name, "--seed", "2")
			var a autoAnswer
			if err := json.Unmarshal([]byte(out), &a); err != nil {
				t.Fatalf("exit %d: %v: %s", code, err, errText)
			}
			if code != 0 || !a.OK || a.Frames == 0 || a.Refused != 0 || a.Dropped != 0 || len(a.Runs) < 4 {
				t.Errorf("exit %d, %s%s", code, out, errText)
			}
			if !(a.Residual+a.Radius95 <= a.Tolerance) || a.Radius95 == 0 {
				t.Errorf("residual %v +- %v does not prove the tolerance %v", a.Residual, a.Radius95, a.Tolerance)
			}
			if first := a.Runs[0].Worst; !(first > 2*a.Tolerance) {
				t.Errorf("as found %v mm/s with a tolerance of %v: nothing had to be done", first, a.Tolerance)
			}
		})
	}
}

// The cable is pulled for five seconds in the middle of a reading: page, metrics
// and snapshot say so, the daemon comes back by itself, and the job ends as if
// nothing had been, with no reading that spans the gap.
func TestCablePulledInTheMiddleOfAJob(t *testing.T) {
	t.Parallel()
	r, err := rig.New(rig.Names()[0], 3)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetPace(20); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(context.Background(), 4*time.Minute)
	defer stop()
	u, err := newUnattended(ctx, r, filepath.Join(t.TempDir(), "job.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer u.job.Close()
	page, err := web.New(web.Config{Stations: []*web.Station{{Source: u.st, Config: u.st.Config()}}, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	type end struct {
		a   autoAnswer
		err error
	}
	done := make(chan end, 1)
	go func() {
		a, err := u.run(ctx)
		done <- end{a, err}
	}()

	until(t, ctx, u.st, "a reading under way", func(n *station.Snapshot) bool { return n.Reading != nil && n.Reading.Turns >= 16 })
	r.Unplug(5 * time.Second)
	n := until(t, ctx, u.st, "the link to be down", func(n *station.Snapshot) bool { return !n.Link.Up })
	if n.Reading != nil || n.Speed != 0 {
		t.Errorf("a reading is still shown without a cable")
	}
	if n.Link.Reason == "" {
		t.Error("the link is down without a reason")
	}
	if body := get(t, page, "/metrics"); !strings.Contains(body, `counterpoise_link_up{station="bench-fan"} 0`) {
		t.Error("the metrics do not say that the link is down")
	}
	if body := get(t, page, "/readyz"); strings.Contains(body, "ok") {
		t.Errorf("ready without a cable: %s", body)
	}
	until(t, ctx, u.st, "the link to come back", func(n *station.Snapshot) bool { return n.Link.Up && n.Counts.Reconnects > 0 })

	got := <-done
	if got.err != nil || !got.a.OK {
		t.Fatalf("the job did not go on: %v %+v", got.err, got.a)
	}
	events, err := u.job.Events(ctx)
	if err != nil {
		t.Fatal(err)
	}
	measured := 0
	for _, e := range events {
		if e.Kind == job.KindMeasured {
			measured++
			if r := e.Reading; !r.Trusted() || r.Seconds > 1.05*float64(r.Turns)/(r.Speed/(2*3.14159265)) {
				t.Errorf("a reading of %d turns took %.2f s at %.1f rad/s: it spans the gap, or is not to be trusted", r.Turns, r.Seconds, r.Speed)
			}
		}
	}
	if measured < 4 {
		t.Errorf("%d readings", measured)
	}
}

func until(t *testing.T, ctx context.Context, st *station.Station, what string, ok func(*station.Snapshot) bool) *station.Snapshot {
	t.Helper()
	var seen uint64
	for {
		n, err := st.Wait(ctx, seen)
		if err != nil {
			t.Fatalf("waited for %s: %v; last %+v", what, err, st.Latest())
		}
		if ok(n) {
			return n
		}
		seen = n.Serial
	}
}

func get(t *testing.T, h http.Handler, path string) string {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "http://127.0.0.1"+path, nil))
	return w.Body.String()
}

// What help and version print is what people and machines read.
func TestVersionAndLicences(t *testing.T) {
	code, out, _ := invoke(t, "version", "--json")
	var v map[string]any
	if err := json.Unmarshal([]byte(out), &v); code != 0 || err != nil || v["version"] != release {
		t.Errorf("version: exit %d, %v, %s", code, err, out)
	}
	_, out, _ = invoke(t, "licences")
	for _, module := range []string{"go.bug.st/serial", "gonum.org/v1/gonum", "github.com/mjibson/go-dsp", "github.com/prometheus/client_golang"} {
		if !strings.Contains(out, module) {
			t.Errorf("licences do not name %s: go generate ./internal/notices", module)
		}
	}
	var help bytes.Buffer
	usage(&help)
	for _, c := range commands {
		if !strings.Contains(help.String(), c.name) || c.summary == "" {
			t.Errorf("help does not explain %s", c.name)
		}
	}
}
