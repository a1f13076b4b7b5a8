package web

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// binary builds the program once for all tests of a run.
var binary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "counterpoise-test-")
	if err != nil {
		return "", err
	}
	bin := filepath.Join(dir, "counterpoise")
	if runtime.GOOS == "windows" {
		bin += ".exe"
	}
	out, err := exec.Command("go", "build", "-o", bin, "counterpoise/cmd/counterpoise").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build: %w\n%s", err, out)
	}
	return bin, nil
})

// demo is the real program as a person starts it: "counterpoise demo" in a
// process of its own, on a folder of its own. Only the fan's time goes by
// faster. It can be killed without warning and begun again.
type demo struct {
	t    *testing.T
	rig  string
	data string
	pace float64
	home string // address of the page; the same after every start
	cmd  *exec.Cmd
	said *bytes.Buffer // what it wrote on standard error; read it after kill
}

// newDemo shows the fan whose blades are true: what is tested there is the job.
func newDemo(t *testing.T, pace float64) *demo { return newDemoOf(t, "bench-fan", pace) }

// newDemoOf shows a fan by its name; without one the program chooses.
func newDemoOf(t *testing.T, rig string, pace float64) *demo {
	t.Helper()
	d := &demo{t: t, rig: rig, data: t.TempDir(), pace: pace, home: "http://127.0.0.1:0"}
	d.begin()
	t.Cleanup(d.kill)
	return d
}

var opened = regexp.MustCompile(`Open (http://[^/ ]+)/`)

// begin starts the program and waits until it says where its page is.
func (d *demo) begin() {
	d.t.Helper()
	bin, err := binary()
	must(d.t, err)
	d.cmd = exec.Command(bin, "demo", "--listen", strings.TrimPrefix(d.home, "http://"), "--data", d.data, "--pace", strconv.FormatFloat(d.pace, 'g', -1, 64))
	if d.rig != "" {
		d.cmd.Args = append(d.cmd.Args, "--rig", d.rig)
	}
	d.cmd.Env = append(os.Environ(), "TMPDIR="+d.data) // its pseudo-terminal outlives a kill
	d.said = &bytes.Buffer{}
	d.cmd.Stderr = d.said
	out, err := d.cmd.StdoutPipe()
	must(d.t, err)
	must(d.t, d.cmd.Start())
	for sc := bufio.NewScanner(out); sc.Scan(); {
		m := opened.FindStringSubmatch(sc.Text())
		if m == nil {
			continue
		}
		if d.home != "http://127.0.0.1:0" && m[1] != d.home {
			d.t.Fatalf("begun again at %s instead of %s", m[1], d.home)
		}
		d.home = m[1]
		return
	}
	d.kill()
	d.t.Fatalf("the program did not come up: %s", d.said)
}

// kill ends the process as a power cut does: it gets no chance to tidy up.
func (d *demo) kill() {
	if d.cmd != nil {
		d.cmd.Process.Kill()
		d.cmd.Wait()
		d.cmd = nil
	}
}

// get asks for something as another program on this machine would.
func (d *demo) get(path string) []byte {
	d.t.Helper()
	resp, err := http.Get(d.home + path)
	must(d.t, err)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	must(d.t, err)
	if resp.StatusCode != http.StatusOK {
		d.t.Fatalf("%s: %s: %s", path, resp.Status, b)
	}
	return b
}

// events are the stored events of a job, each as its own JSON; page is the path
// of the job's page.
func (d *demo) events(page string) []json.RawMessage {
	d.t.Helper()
	var got struct{ Events []json.RawMessage }
	must(d.t, json.Unmarshal(d.get("/api/v1"+page+"/events"), &got))
	return got.Events
}

// weights are on the virtual fan now.
func (d *demo) weights(page string) int {
	d.t.Helper()
	station, _, _ := strings.Cut(page, "/jobs")
	var got struct{ Weights []FanWeight }
	must(d.t, json.Unmarshal(d.get("/api/v1"+station+"/fan"), &got))
	return len(got.Weights)
}

// lostEvents compares the events before and after a kill: how many that were
// seen are missing or altered.
func lostEvents(before, after []json.RawMessage) int {
	for i, e := range before {
		if i >= len(after) || !bytes.Equal(e, after[i]) {
			return len(before) - i
		}
	}
	return 0
}
