package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/acq/pty"
	"counterpoise/internal/hil"
)

// emulated is board A on a port, as fast as this machine lets it, up to twenty times the clock.
func emulated(t *testing.T, b hil.Build, options ...string) string {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	e, err := b.Emulate(ctx, append([]string{"--pace", "20", "--noise", "0.5", "--rc", "1000"}, options...)...)
	if err != nil {
		stop()
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if _, err := e.End(); err != nil {
			t.Error(err)
		}
		stop()
	})
	return e.Port
}

func boardA(t *testing.T) hil.Build {
	t.Helper()
	b, err := hil.BuildAVR("../../hw", t.TempDir())
	if m := new(hil.MissingError); errors.As(err, &m) {
		missing(t, err.Error())
	}
	if err != nil {
		t.Fatal(err)
	}
	return b
}

var turning = []string{"--speed", "23.7", "--volts", "0.5,0.3,1.0"}

// TestHobbyistsPath walks hw/README.md from the emulated board to the first
// reading and the delays, as a new user would. The page must hold each command.
func TestHobbyistsPath(t *testing.T) {
	b := boardA(t)
	page, err := os.ReadFile("../../hw/README.md")
	if err != nil {
		t.Fatal(err)
	}
	port := emulated(t, b, append(turning, "--late", "30e-6,0,140e-6")...)
	dir := t.TempDir()
	toml := filepath.Join(dir, "station.toml")
	if err := os.WriteFile(toml, []byte("[[station]]\nname = \"bench\"\nsource = \"serial:"+port+"\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct {
		said string // as the page has it
		more []string
		want []string
	}{
		{"counterpoise ports /tmp/board", nil, []string{"board-a 1.0", "3 channels", "tach"}},
		{"counterpoise check serial:/tmp/board", []string{"--for", "5"}, []string{"Fit", "1422.0 rpm"}},
		{"counterpoise check serial:/tmp/board --for 10 --tap A0", []string{"--for", "5"}, []string{"No tap stands out"}},
		{"counterpoise check serial:/tmp/board --mass 13 --grade G6.3", []string{"--for", "5"}, []string{"permissible"}},
		{"counterpoise measure serial:/tmp/board", []string{"--for", "5"}, []string{"1422.0 rpm", "A0", "270.0 deg"}},
		{"counterpoise delays serial:/tmp/board --into station.toml", nil, []string{"Kept", "AC coupling"}},
	} {
		if !strings.Contains(string(page), step.said) {
			t.Errorf("hw/README.md does not say %q", step.said)
		}
		args := strings.Fields(strings.NewReplacer("/tmp/board", port, "station.toml", toml).Replace(step.said))[1:]
		code, out, errText := invoke(t, append(args, step.more...)...)
		if code != 0 {
			t.Errorf("%s: exit %d: %s", step.said, code, errText)
		}
		for _, w := range step.want {
			if !strings.Contains(out, w) {
				t.Errorf("%s does not say %q:\n%s", step.said, w, out)
			}
		}
	}
	kept, err := os.ReadFile(toml)
	if err != nil || strings.Count(string(kept), "delay_us") != 3 {
		t.Errorf("%v\n%s", err, kept)
	}
}

// TestMistakesOnTheWay makes each mistake of a beginner with the emulated board.
// Each must be told in one sentence with its remedy.
func TestMistakesOnTheWay(t *testing.T) {
	b := boardA(t)
	for _, c := range []struct {
		name    string
		options []string
		args    string // PORT is the board's
		want    []string
	}{
		{"wrong port", turning, "measure serial:PORT-not --for 2", []string{"there is no port", "counterpoise ports"}},
		{"wrong baud", append(turning, "--baud"), "measure serial:PORT?baud=115200 --for 2", []string{"baud="}},
		{"right baud", append(turning, "--baud"), "measure serial:PORT --for 2", nil},
		{"lines asked of a board that sends frames", turning, "measure serial:PORT?mode=lines --for 2", []string{"baud="}},
		{"swapped channels", []string{"--swap", "--tap", "0"}, "check serial:PORT --for 6 --tap A0", []string{"The tap on A0 arrived on A1", "-> Swap the two plugs"}},
		{"channels as they should be", []string{"--tap", "0"}, "check serial:PORT --for 6 --tap A0", []string{"tap"}},
		{"tach upside down", append(turning, "--invert"), "check serial:PORT --for 6", []string{"MEND", "the tach is upside down", "swap the comparator's inputs"}},
		{"a sensor without its plug", append(turning, "--rail", "1"), "check serial:PORT --for 6", []string{"MEND", "lies at a rail", "its sensor and cable"}},
		{"a sensor the wrong way round", append(turning, "--flip", "1"), "delays serial:PORT", []string{"A1 ", "upside down", "turn the sensor round"}},
		{"no loop plugs", append(turning, "--open"), "delays serial:PORT", []string{"loop plugs", "sockets"}},
		{"a signal too large", []string{"--speed", "23.7", "--volts", "0.5,2.7,0.5"}, "check serial:PORT --for 5", []string{"MEND A1", "samples are clipped", "Less gain"}},
		{"a signal of less than a step, without noise", []string{"--speed", "23.7", "--volts", "0.5,0.004,0.5", "--noise", "0"}, "check serial:PORT --for 5", []string{"MEND A1", "steps of the converter", "More gain"}},
		{"a line that damages bytes", append(turning, "--damage", "1e-3,1"), "check serial:PORT --for 5", []string{"MEND link", "tach edges lost", "A shorter or better cable"}},
		{"a host that holds the board up", append(turning, "--hold", "1.5,1.5"), "check serial:PORT --for 6", []string{"MEND link", "the board dropped", "close other programs"}},
		{"a tach that bounces", append(turning, "--bounce", "0.5"), "check serial:PORT --for 6", []string{"rejected", "bounce"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			port := emulated(t, b, c.options...)
			code, out, errText := invoke(t, strings.Fields(strings.ReplaceAll(c.args, "PORT", port))...)
			said := strings.Join(strings.Fields(out+" "+errText), " ")
			for _, w := range c.want {
				if !strings.Contains(said, w) {
					t.Errorf("exit %d; %q is not said:\n%s\n%s", code, w, out, errText)
				}
			}
			if c.want == nil && code != 0 {
				t.Errorf("exit %d: %s", code, errText)
			}
		})
	}
}

// TestSketchThatPrintsNumbers: the plain text lines of a first sketch, on a port.
func TestSketchThatPrintsNumbers(t *testing.T) {
	line, err := pty.Open()
	if err != nil {
		missing(t, err.Error())
	}
	done, quit := make(chan struct{}), make(chan struct{})
	go func() { // 400 samples and 20 turns a second, ten times as fast as the clock
		defer close(done)
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for n := 0; ; {
			select {
			case <-quit:
				return
			case <-tick.C:
			}
			var b strings.Builder
			for range 40 {
				us := 2500 * n
				if n%20 == 0 {
					fmt.Fprintf(&b, "T,%d,%d\n", us, n/20)
				}
				fmt.Fprintf(&b, "%d,%.4f\n", us, 3*math.Cos(2*math.Pi*float64(n)/20+0.5))
				n++
			}
			if _, err := line.Board.Write([]byte(b.String())); err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() { close(quit); line.Close(); <-done })
	code, out, errText := invoke(t, "measure", "serial:"+line.Path+"?baud=115200&mode=lines&channels=ax&unit=m/s^2", "--for", "5", "--quantity", "acceleration")
	if code != 0 || !strings.Contains(out, "1200.0 rpm") || !strings.Contains(out, "28.6 deg") {
		t.Errorf("exit %d: %s\n%s", code, errText, out)
	}
	code, out, errText = invoke(t, "delays", "serial:"+line.Path+"?baud=115200&mode=lines")
	refused(t, code, out, errText, []string{"takes no commands", "one point"})
}

// TestCheckIsOnePage: what a printer takes, however much is wrong.
func TestCheckIsOnePage(t *testing.T) {
	b := boardA(t)
	port := emulated(t, b, "--speed", "23.7", "--volts", "0.004,0.002,2.6", "--bounce", "0.3", "--damage", "1e-4,3", "--invert", "--tap", "1", "--flip", "2")
	_, out, _ := invoke(t, "check", "serial:"+port, "--for", "6", "--mass", "13", "--grade", "G6.3", "--same-point", "--tap", "A0")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if len(lines) > 66 || len(lines) < 20 {
		t.Errorf("%d lines", len(lines))
	}
	for i, l := range lines {
		if n := len([]rune(l)); n > pageWidth && i > 0 { // the first is the source's own word
			t.Errorf("%d characters: %s", n, l)
		}
		if mend := strings.HasPrefix(l, "MEND") || strings.HasPrefix(l, "LOOK") || strings.HasPrefix(l, "open"); mend {
			after := strings.Join(lines[i+1:min(len(lines), i+6)], "\n")
			if !strings.Contains(after, "-> ") {
				t.Errorf("no remedy: %s", l)
			}
		}
	}
	t.Log("\n" + out)
}
