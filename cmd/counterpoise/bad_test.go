package main

import (
	"bytes"
	"context"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/acq/pty"
	"counterpoise/internal/rig"
)

const goodCase = `{"convention": "with-rotation", "planes": [{"name": "hub"}], "sensors": [{"name": "DE-H"}], "runs": [
 {"name": "as found", "weights": [], "vectors": [{"amplitude": 4.81, "phase_deg": 16.8}]},
 {"name": "trial", "weights": [{"plane": "hub", "mass_g": 103.25, "angle_deg": 0}], "vectors": [{"amplitude": 4.7628, "phase_deg": 299.9}]}]}`

// What a person may do wrong, and what must be said. Every case must end with
// one sentence on standard error, nothing on standard output, an exit code that
// is not zero, and no stack trace.
func TestBadInput(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	solve := func(name string, replace ...string) []string {
		text := strings.NewReplacer(replace...).Replace(goodCase)
		if text == goodCase {
			t.Fatalf("%s: the case is still the good one", name)
		}
		return []string{"solve", write(name+".json", text), "--json"}
	}
	garbage := make([]byte, 50000)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range garbage {
		garbage[i] = byte(r.Uint32())
	}
	sine := "t,ax\n"
	for range 3000 {
		sine += "0.1,0.5\n-0.1,-0.5\n"
	}

	cases := []struct {
		name string
		args []string
		want []string // all of these stand in the sentence
	}{
		{"no command like that", []string{"balance"}, []string{"no command"}},
		{"unknown option", []string{"solve", "--fast", "x.json"}, []string{"fast"}},
		{"garbage in a recording", []string{"measure", "file:" + write("garbage.take", string(garbage)), "--json"}, []string{"garbage.take"}},
		{"a port that does not exist", []string{"measure", "serial:/dev/nothing-here", "--json"}, []string{"/dev/nothing-here"}},
		{"text in a number", []string{"measure", "file:" + write("text.csv", "ax,tacho\n1.0,0\n1.1,0\noops,0\n1.0,5\n") + "?rate=1000&tach=tacho&channels=ax&header=1", "--json"}, []string{"text.csv", "4", "oops"}},
		{"orders of a recording without a tach", []string{"measure", "file:" + write("notach.csv", sine) + "?rate=1000&channels=ax&header=1", "--orders", "1", "--json"}, []string{"tach"}},
		{"an unknown kind of source", []string{"measure", "usb:thing", "--json"}, []string{"usb"}},
		{"a file that is not there", []string{"measure", "file:" + filepath.Join(dir, "none.wav"), "--json"}, []string{"none.wav"}},
		{"an unknown virtual fan", []string{"demo", "--rig", "windmill"}, []string{"windmill", rig.Names()[0]}},
		{"no case file", []string{"solve", filepath.Join(dir, "none.json")}, []string{"none.json"}},
		{"not JSON", []string{"solve", write("prose.json", "dear sir"), "--json"}, []string{"not valid JSON"}},
		{"a missing run", solve("missing", `,
 {"name": "trial", "weights": [{"plane": "hub", "mass_g": 103.25, "angle_deg": 0}], "vectors": [{"amplitude": 4.7628, "phase_deg": 299.9}]}`, ""), []string{"hub"}},
		{"an unknown plane", solve("plane", `"plane": "hub"`, `"plane": "rim"`), []string{"rim"}},
		{"NaN", solve("nan", "4.81", "NaN"), []string{"NaN"}},
		{"a negative mass", solve("negative", "103.25", "-103.25"), []string{"103.25"}},
		{"a trial without mass", solve("zero", "103.25", "0"), []string{"hub"}},
		{"a vector too few", solve("vectors", `[{"amplitude": 4.7628, "phase_deg": 299.9}]`, "[]"), []string{"trial"}},
		{"a word for a number", solve("word", "103.25", `"heavy"`), []string{"mass_g"}},
		{"an unknown convention", solve("convention", "with-rotation", "clockwise"), []string{"clockwise", "with-rotation"}},
		{"no configuration", []string{"serve", filepath.Join(dir, "none.toml")}, []string{"none.toml"}},
		{"bad configuration", []string{"serve", write("bad.toml", "[[station]]\nname = \"a\"\n")}, []string{"source is missing"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			code, out, errText := invoke(t, c.args...)
			refused(t, code, out, errText, c.want)
		})
	}
}

// Boards that misbehave, on a real pseudo-terminal.
func TestBadBoards(t *testing.T) {
	t.Run("another protocol version", func(t *testing.T) {
		t.Parallel()
		r, path := rigOnPTY(t)
		r.Inject(rig.Faults{Version: 9})
		code, out, errText := invoke(t, "measure", "serial:"+path, "--for", "1", "--json")
		refused(t, code, out, errText, []string{"version", "9"})
	})
	t.Run("garbage, as at a wrong baud rate", func(t *testing.T) {
		t.Parallel()
		line := noise(t)
		code, out, errText := invoke(t, "measure", "serial:"+line, "--for", "1", "--json")
		refused(t, code, out, errText, []string{"baud"})
	})
	t.Run("a board that says nothing", func(t *testing.T) {
		t.Parallel()
		r, path := rigOnPTY(t)
		r.Inject(rig.Faults{Mute: true})
		code, out, errText := invoke(t, "measure", "serial:"+path, "--for", "1", "--json")
		refused(t, code, out, errText, []string{path})
	})
	t.Run("a port in use", func(t *testing.T) {
		t.Parallel()
		_, path := rigOnPTY(t)
		first, err := acq.Open("serial:"+path, acq.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer first.Close()
		if _, err := first.Next(t.Context()); err != nil {
			t.Fatal(err)
		}
		code, out, errText := invoke(t, "measure", "serial:"+path, "--for", "1", "--json")
		refused(t, code, out, errText, []string{"use"})
	})
}

// Root opens every port, so this runs the program as somebody else.
func TestForbiddenPort(t *testing.T) {
	if runtime.GOOS != "linux" || os.Geteuid() != 0 {
		missing(t, "needs root on linux to become another user")
	}
	_, path := rigOnPTY(t)
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(real, 0o600); err != nil {
		t.Fatal(err)
	}
	bin := filepath.Join(os.TempDir(), "counterpoise-forbidden-test")
	if out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	defer os.Remove(bin)
	cmd := exec.Command(bin, "measure", "serial:"+real, "--for", "1", "--json")
	cmd.Dir = "/"
	cmd.SysProcAttr = otherUser()
	var out, errText bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errText
	code := 0
	if err := cmd.Run(); err != nil {
		code = cmd.ProcessState.ExitCode()
	}
	refused(t, code, out.String(), errText.String(), []string{"may not be opened", "group"})
}

// invoke runs one command in this process.
func invoke(t *testing.T, args ...string) (code int, out, errText string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	var o, e bytes.Buffer
	code = dispatch(ctx, env{strings.NewReader(""), &o, &e}, args)
	return code, o.String(), e.String()
}

func refused(t *testing.T, code int, out, errText string, want []string) {
	t.Helper()
	if code == 0 {
		t.Errorf("exit code 0")
	}
	if out != "" {
		t.Errorf("standard output: %q, want nothing", out)
	}
	if strings.Contains(errText, "goroutine ") || strings.Contains(errText, "panic") {
		t.Errorf("a stack trace: %s", errText)
	}
	if n := len(strings.TrimSpace(errText)); n < 20 || n > 700 {
		t.Errorf("%d characters are no sentence: %s", n, errText)
	}
	for _, w := range want {
		if !strings.Contains(errText, w) {
			t.Errorf("the sentence does not say %q: %s", w, errText)
		}
	}
	t.Log(strings.TrimSpace(errText))
}

func rigOnPTY(t *testing.T) (*rig.Rig, string) {
	t.Helper()
	r, err := rig.New(rig.Names()[0], 1)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Start(); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	path, done, err := r.ServePTY(ctx)
	if err != nil {
		stop()
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(); <-done })
	return r, path
}

// noise is a pseudo-terminal on which nothing but random bytes arrive.
func noise(t *testing.T) string {
	t.Helper()
	line, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		r := rand.New(rand.NewPCG(2, 2))
		b := make([]byte, 256)
		for {
			for i := range b {
				b[i] = byte(r.Uint32())
			}
			if _, err := line.Board.Write(b); err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() { line.Close(); <-done })
	return line.Path
}

// missing skips a test that this machine cannot run, and fails it in CI.
func missing(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatal(why)
	}
	t.Skip(why)
}
