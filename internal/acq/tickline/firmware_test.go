package tickline

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// core builds the tests of the firmware's portable core with the sanitizers.
func core(t *testing.T) (program string) {
	t.Helper()
	if _, err := exec.LookPath("gcc"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("gcc is missing: apt install gcc libc6-dev")
		}
		t.Skip("gcc is missing, so the firmware's core was not tried: apt install gcc libc6-dev")
	}
	sources, err := filepath.Glob("../../../hw/core/*.c")
	if err != nil || len(sources) == 0 {
		t.Fatalf("no core: %v", err)
	}
	program = filepath.Join(t.TempDir(), "core")
	args := append([]string{"-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-O1", "-g",
		"-fsanitize=address,undefined", "-fno-sanitize-recover=undefined", "-o", program}, sources...)
	if out, err := exec.Command("gcc", args...).CombinedOutput(); err != nil {
		t.Fatalf("gcc: %v\n%s", err, out)
	}
	return program
}

// TestFirmwareCore runs the unit tests of the firmware on this machine, and lets
// each side read what the other one wrote.
func TestFirmwareCore(t *testing.T) {
	program := core(t)
	out, err := exec.Command(program, "../../../hw/PROTOCOL.md").CombinedOutput()
	if err != nil {
		t.Fatalf("the core's own tests: %v\n%s", err, out)
	}
	t.Run("C to Go", func(t *testing.T) {
		out, err := exec.Command(program, "--emit", "2000", "1").Output()
		if err != nil {
			t.Fatal(err)
		}
		frames := strings.Split(strings.TrimSpace(string(out)), "\n\n")
		for _, frame := range frames {
			first, says, _ := strings.Cut(frame, "\n")
			wire, err := hex.DecodeString(strings.ReplaceAll(strings.TrimPrefix(first, "wire = "), " ", ""))
			if err != nil {
				t.Fatal(err)
			}
			var d Decoder
			_, f, why := d.Decode(wire)
			if f == nil {
				t.Fatalf("refused as %v: %s", why, frame)
			}
			if got := strings.Join(describe(f), "\n"); got != says {
				t.Fatalf("read as\n%s\nthe firmware meant\n%s", got, says)
			}
			if again := encode(f); !bytes.Equal(again, wire) {
				t.Fatalf("written as % x by the firmware, as % x here", wire, again)
			}
		}
		if len(frames) != 2000 {
			t.Errorf("%d frames, want 2000", len(frames))
		}
	})
	t.Run("Go to C", func(t *testing.T) {
		rng := rand.New(rand.NewPCG(7, 8))
		var wire []byte
		var want strings.Builder
		for range 2000 {
			c := Command{Type: []Type{TypeAsk, TypeStart, TypeStop, TypeLoopback}[rng.IntN(4)]}
			if c.Type == TypeLoopback {
				c.PeriodTicks = rng.Uint32() >> rng.IntN(32)
			}
			seq := uint16(rng.Uint32()) >> rng.IntN(16)
			wire = AppendCommand(wire, seq, c)
			fmt.Fprintf(&want, "%02x %d %d\n", uint8(c.Type), seq, c.PeriodTicks)
		}
		want.WriteString("refused 0\n")
		cmd := exec.Command(program, "--obey")
		cmd.Stdin = bytes.NewReader(wire)
		out, err := cmd.Output()
		if err != nil || string(out) != want.String() {
			t.Fatalf("the firmware understood something else: %v", err)
		}
	})
}
