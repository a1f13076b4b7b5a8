package station

import (
	"context"
	"log/slog"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// TestConfiguredDelayTurnsThePhase: 500 us at 20 Hz are 3.6 degrees, beside what
// the source states; without the line nothing changes.
func TestConfiguredDelayTurnsThePhase(t *testing.T) {
	read := func(delay float64) (deg float64, print string, notes []string) {
		f := newFeed(3)
		f.end = 40
		cfg := StationConfig{Name: "s", Channels: []ChannelConfig{{Name: "DE-H", Delay: delay}}}
		if delay != 0 {
			cfg.Channels = append(cfg.Channels, ChannelConfig{Name: "elsewhere", Delay: 1e-3})
		}
		st := New(cfg, f, slog.New(slog.DiscardHandler))
		if err := st.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		r := st.Latest().Reading
		if r == nil {
			t.Fatal("no reading")
		}
		c, _ := r.In(0, 1, rotor.Acceleration)
		return cmplx.Phase(c.Value) * 180 / math.Pi, st.Latest().Setup.Fingerprint(), st.Latest().Setup.Notes
	}
	plain, before, none := read(0)
	late, after, notes := read(500e-6)
	if !(math.Abs(late-plain-3.6) < 1e-3) {
		t.Errorf("%.4f degrees, %.4f with the delay: want 3.6 more", plain, late)
	}
	if before == after || !strings.Contains(after, "500.0 us") {
		t.Errorf("fingerprints %q and %q", before, after)
	}
	if len(none) > 0 || len(notes) != 1 || !strings.Contains(notes[0], "elsewhere") {
		t.Errorf("notes %q and %q", none, notes)
	}
}

// TestSetupStaysTheSame: a new pointer means a change of the set-up, also where
// blocks of the one before are still on the way.
func TestSetupStaysTheSame(t *testing.T) {
	f := newFeed(1)
	c := calibrate(f, []ChannelConfig{{Name: "DE-H", Delay: 1e-3}}).(*calibrated)
	old := f.setup
	first := c.of(old)
	next := *old
	second := c.of(&next)
	if first == second || c.of(old) != first || c.of(&next) != second || c.of(first) != first {
		t.Error("set-ups are mixed up")
	}
	if first.Channels[0].Delay != 1e-3 || old.Channels[0].Delay != 0 {
		t.Errorf("delays %v, of the source's own %v", first.Channels[0].Delay, old.Channels[0].Delay)
	}
	for range 20 {
		another := *old
		c.of(&another)
	}
	if len(c.seen) > setupsKept {
		t.Errorf("%d set-ups are kept", len(c.seen))
	}
	if calibrate(f, []ChannelConfig{{Name: "DE-H"}}) != acq.Source(f) {
		t.Error("a source without delays is wrapped")
	}
}

const twoStations = `# a farm
listen = "127.0.0.1:8640"

[[station]]
name = "north" # first
source = "serial:/dev/ttyACM0"

[station.machine]
mass_kg = 12 # of the wheel

[[station.channel]]
name = "A0"
direction = "horizontal"
# keep this

[[station.channel]]
name = "A1"
delay_us = 3 # old

[[station]]
name = "south"
source = "serial:/dev/ttyACM1"
[[station.channel]]
name = "A0"`

func TestDelaysAreKept(t *testing.T) {
	for _, c := range []struct {
		station string
		delays  map[string]float64
		want    string
	}{
		{"north", map[string]float64{"A0": 18e-6, "A1": -12.04e-6, "A2": 128e-6}, strings.NewReplacer(
			`direction = "horizontal"`+"\n", `direction = "horizontal"`+"\ndelay_us = 18.0\n",
			"delay_us = 3 # old\n\n", "delay_us = -12.0\n\n\n[[station.channel]]\nname = \"A2\"\ndelay_us = 128.0\n").Replace(twoStations) + "\n"},
		{"south", map[string]float64{"A0": 0.5e-6}, twoStations + "\ndelay_us = 0.5\n"},
	} {
		path := filepath.Join(t.TempDir(), "station.toml")
		if err := os.WriteFile(path, []byte(twoStations), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := KeepDelays(path, c.station, c.delays); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(path)
		if err != nil || string(got) != c.want {
			t.Errorf("%s: %v\n%s\nwant\n%s", c.station, err, got, c.want)
		}
		if err := KeepDelays(path, "west", c.delays); err == nil || !strings.Contains(err.Error(), "west") {
			t.Errorf("a station that is not there: %v", err)
		}
	}
	odd := filepath.Join(t.TempDir(), "odd.toml")
	text := "station = [{name = \"x\", source = \"-\", channel = [{name = \"A0\", delay_us = 1}]}]\n"
	if err := os.WriteFile(odd, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := KeepDelays(odd, "x", map[string]float64{"A0": 1e-5}); err == nil || !strings.Contains(err.Error(), "by hand") {
		t.Errorf("an inline table: %v", err)
	}
	if got, _ := os.ReadFile(odd); string(got) != text {
		t.Errorf("a file that is not understood was altered:\n%s", got)
	}
}
