package web

import (
	"fmt"
	"math"
	"os"
	"sort"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	dto "github.com/prometheus/client_model/go"

	"counterpoise/internal/acq"
)

// registry rebuilds the server's registry so that a test may look into it.
func registry(t *testing.T, s *Server) *prometheus.Registry {
	t.Helper()
	reg := prometheus.NewRegistry()
	s.meters = newMeters(reg, s)
	return reg
}

func TestMetricsAreClean(t *testing.T) {
	a, b := newFake("a"), newFake("b")
	a.set(turning())
	reg := registry(t, newServer(t, Config{Version: "test"}, a, b))
	problems, err := testutil.GatherAndLint(reg)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func TestMetricsGiveBothComponents(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	got := gather(t, registry(t, newServer(t, Config{}, f)))
	label := `{channel=DE-H,order=1,station=bench}`
	re, im := got["counterpoise_order_velocity_real_meters_per_second"+label], got["counterpoise_order_velocity_imag_meters_per_second"+label]
	amp, ph := got["counterpoise_order_velocity_amplitude_meters_per_second"+label], got["counterpoise_order_velocity_phase_radians"+label]
	want := 4.81e-3 * math.Sqrt2 // turning's 4.81 mm/s rms as peak
	for name, pair := range map[string][2]float64{
		"amplitude": {amp, want}, "phase": {ph, 63.1 * math.Pi / 180},
		"real": {re, want * math.Cos(63.1*math.Pi/180)}, "imag": {im, want * math.Sin(63.1*math.Pi/180)},
	} {
		if !(math.Abs(pair[0]-pair[1]) <= 1e-12) {
			t.Errorf("%s = %g, want %g", name, pair[0], pair[1])
		}
	}
	for name, want := range map[string]float64{
		"counterpoise_link_up{station=bench}": 1, "counterpoise_rotor_speed_hertz{station=bench}": 1480.2 / 60,
		"counterpoise_frames_refused_total{reason=" + acq.RefuseReasons()[0] + ",station=bench}": 2,
		"counterpoise_turns_dropped_total{reason=missed_edge,station=bench}":                     0,
		"counterpoise_clock_error_ratio{station=bench}":                                          48.2e-6,
		"counterpoise_last_block_age_seconds{station=bench}":                                     0,
	} {
		if v, ok := got[name]; !ok || !(math.Abs(v-want) <= 1e-9) {
			t.Errorf("%s = %g (there: %v), want %g", name, v, ok, want)
		}
	}
}

// With the link down no vector may be shown: an old one would look like news.
func TestMetricsWithholdVectorsWithoutLink(t *testing.T) {
	f := newFake("bench")
	s := turning()
	s.Link.Up = false
	f.set(s)
	for name := range gather(t, registry(t, newServer(t, Config{}, f))) {
		if strings.HasPrefix(name, "counterpoise_order_") {
			t.Errorf("%s is shown while the link is down", name)
		}
	}
}

// METRICS.md must say what there is, no more and no less.
func TestMetricsTable(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	families, err := registry(t, newServer(t, Config{}, f)).Gather()
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, fam := range families {
		labels := map[string]bool{}
		for _, m := range fam.Metric {
			for _, l := range m.Label {
				if *l.Name != "station" {
					labels["`"+*l.Name+"`"] = true
				}
			}
		}
		var names []string
		for l := range labels {
			names = append(names, l)
		}
		sort.Strings(names)
		want = append(want, fmt.Sprintf("| `%s` | %s | %s | %s |", fam.GetName(), strings.ToLower(fam.GetType().String()), strings.Join(names, ", "), fam.GetHelp()))
	}
	doc, err := os.ReadFile("METRICS.md")
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	for _, line := range strings.Split(string(doc), "\n") {
		if strings.HasPrefix(line, "| `") {
			have[line] = true
		}
	}
	for _, line := range want {
		if !have[line] {
			t.Errorf("METRICS.md lacks:\n%s", line)
		}
		delete(have, line)
	}
	for line := range have {
		t.Errorf("METRICS.md has a line for which there is no metric:\n%s", line)
	}
}

func gather(t *testing.T, reg *prometheus.Registry) map[string]float64 {
	t.Helper()
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]float64{}
	for _, fam := range families {
		for _, m := range fam.Metric {
			out[fam.GetName()+labelsOf(m)] = m.GetCounter().GetValue() + m.GetGauge().GetValue()
		}
	}
	return out
}

func labelsOf(m *dto.Metric) string {
	var parts []string
	for _, l := range m.Label {
		parts = append(parts, l.GetName()+"="+l.GetValue())
	}
	if len(parts) == 0 {
		return ""
	}
	sort.Strings(parts)
	return "{" + strings.Join(parts, ",") + "}"
}

func TestMetricsBeforeAnySnapshot(t *testing.T) {
	got := gather(t, registry(t, newServer(t, Config{}, newFake("bench"))))
	if v := got["counterpoise_link_up{station=bench}"]; v != 0 {
		t.Errorf("link_up = %g before anything came", v)
	}
	if _, ok := got["counterpoise_rotor_speed_hertz{station=bench}"]; ok {
		t.Error("a speed is shown before anything came")
	}
}
