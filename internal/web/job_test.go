package web

import (
	"context"
	"io"
	"log/slog"
	"math"
	"path/filepath"
	"testing"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/balance"
	"counterpoise/internal/job"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
	"counterpoise/internal/store"
)

// bed is a virtual fan behind a real station, with a server that keeps jobs in
// a folder: what demo runs, only faster than the wall clock. It can be ended
// and begun again on the same folder, as after a crash.
type bed struct {
	t    *testing.T
	data string
	home string // address of the page
	rig  *rig.Rig
	web  *Server
	end  func()
}

// fanPace is how much faster than the wall clock the virtual fan of the tests lives:
// what a loaded machine still keeps up with.
func fanPace() float64 {
	if raceOn {
		return 2
	}
	return 15
}

func newBed(t *testing.T) *bed {
	b := &bed{t: t, data: t.TempDir()}
	b.begin()
	t.Cleanup(func() { b.end() })
	return b
}

func (b *bed) begin() {
	t := b.t
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	r, err := rig.New("bench-fan", 1)
	must(t, err)
	must(t, r.SetPace(fanPace()))
	quiet := slog.New(slog.DiscardHandler)
	link, _, err := r.ServeTCP(ctx, "127.0.0.1:0")
	must(t, err)
	src, err := acq.Open("tcp:"+link, acq.Options{Log: quiet, Wait: true})
	must(t, err)
	cfg := station.StationConfig{Name: "bench fan", Orders: []int{1, 2, 3}, Machine: r.Machine(), Planes: r.Planes()}
	st := station.New(cfg, src, quiet)
	jobs, err := store.Open(filepath.Join(b.data, "jobs.db"))
	must(t, err)
	u := job.Setup{Name: "bench fan", Machine: r.Machine(), Planes: r.Planes(), Virtual: true, Errors: balance.Errors{Mass: 0.01, Angle: math.Pi / 180, Repeat: 0.005}}
	for _, name := range r.Describe().Channels {
		u.Sensors = append(u.Sensors, job.Sensor{Name: name, Tolerance: 0.7e-3 / rotor.RMS.OfPeak()})
	}
	s, err := New(Config{Stations: []*Station{{Source: st, Config: cfg, Fan: r, Setup: u}}, Jobs: jobs, Version: "test", Log: quiet, Now: time.Now})
	must(t, err)
	running := make(chan error, 1)
	go func() { running <- st.Run(ctx) }()
	address, stop := serve(t, s)
	b.rig, b.web, b.home = r, s, address
	b.end = func() {
		stop()
		cancel()
		if err := <-running; err != nil && err != io.EOF {
			t.Error(err)
		}
		must(t, jobs.Close())
		b.end = func() {}
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
