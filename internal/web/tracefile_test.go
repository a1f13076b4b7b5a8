package web

import (
	"bytes"
	bin "encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/balance"
	"counterpoise/internal/job"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station/trace"
)

// rawCoastDown is a switching off of a virtual fan of its own as raw samples, the
// tach as the last column, and how they are to be read.
func rawCoastDown(t *testing.T, preset string) (raw []byte, options string, fan *rig.Rig) {
	t.Helper()
	fan, err := rig.New(preset, 4)
	must(t, err)
	must(t, fan.Start())
	for !fan.State().AtSpeed {
		must(t, fan.Skip(1))
	}
	must(t, fan.Skip(2))
	rate := fan.Describe().Rate
	rec, err := fan.Record(int(16 * rate))
	must(t, err)
	fan.Stop()
	after, err := fan.Record(int(30 * rate))
	must(t, err)
	for _, e := range after.Edges {
		rec.Edges = append(rec.Edges, e+float64(len(rec.Samples[0])))
	}
	for c := range rec.Samples {
		rec.Samples[c] = append(rec.Samples[c], after.Samples[c]...)
	}
	tach := make([]float64, len(rec.Samples[0]))
	for _, e := range rec.Edges { // a ramp of four samples, so that the edge keeps its fraction
		for i := max(0, int(e)-1); i < min(int(e)+6, len(tach)); i++ {
			tach[i] = math.Max(0, math.Min(1, 0.5+(float64(i)-e)/4))
		}
	}
	const full = 100 // m/s^2; such files hold parts of full scale
	for i := range tach {
		for _, c := range rec.Samples {
			raw = bin.LittleEndian.AppendUint32(raw, math.Float32bits(float32(c[i]/full)))
		}
		raw = bin.LittleEndian.AppendUint32(raw, math.Float32bits(float32(tach[i])))
	}
	options = fmt.Sprintf("rate=%g&width=%d&tach=%d&unit=m/s^2&scale=100", rate, len(rec.Samples)+1, len(rec.Samples))
	return raw, options, fan
}

// sendFile sends the form of the page with a file.
func sendFile(t *testing.T, s *Server, name string, file []byte, origin string, fields ...string) *httptest.ResponseRecorder {
	t.Helper()
	var body bytes.Buffer
	form := multipart.NewWriter(&body)
	for i := 0; i < len(fields); i += 2 {
		must(t, form.WriteField(fields[i], fields[i+1]))
	}
	if name != "" {
		w, err := form.CreateFormFile("file", name)
		must(t, err)
		_, err = w.Write(file)
		must(t, err)
	}
	must(t, form.Close())
	r := httptest.NewRequest("POST", home+"/stations/bench/trace", &body)
	r.Header.Set("Content-Type", form.FormDataContentType())
	r.Header.Set("Origin", origin)
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w
}

// A recording that is sent along is read like one of the station's own; nothing
// is switched, and nothing of it stays behind.
func TestSentRecordingIsRead(t *testing.T) {
	slowly(t)
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	s, _, here := traceBed(t, "bench-fan")
	raw, options, fan := rawCoastDown(t, "bench-fan-soft")
	if w := sendFile(t, s, "coast.f32le", raw, home, "do", "speed", "from", "file", "options", options); w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if st := ended(t, s); st.Is != traceDone || st.From != "recording" {
		t.Fatalf("%+v", st)
	}
	if here.State().SupplyOn {
		t.Error("the station's own fan was switched on")
	}
	_, body := getTrace(s, traceAPI+"/answer")
	var a trace.SpeedAnswer
	must(t, json.Unmarshal([]byte(body), &a))
	if a.Sweep == nil || a.PowerOff == nil || a.PowerOff.SupplyHz == nil {
		t.Fatalf("%q %q", a.NoSweep, a.NoPowerOff)
	}
	if hz := fan.Describe().SupplyHz; !(math.Abs(*a.PowerOff.SupplyHz-hz) <= 0.02) {
		t.Errorf("supply %v Hz, the fan has %v", *a.PowerOff.SupplyHz, hz)
	}
	lowest := 60 * fan.Modes(rotor.RadPerSecond(a.Sweep.Resonances[0].RPM))[0].Hz
	if got := a.Sweep.Resonances[0].RPM; !(math.Abs(got/lowest-1) <= 0.01) {
		t.Errorf("lowest resonance at %.1f rpm, the fan has it at %.1f", got, lowest)
	}
	emptied(t, temp)
}

func emptied(t *testing.T, dir string) {
	t.Helper()
	for range 100 {
		if left, err := filepath.Glob(filepath.Join(dir, "*")); err == nil && len(left) == 0 {
			return
		}
		pause(t.Context(), 20*time.Millisecond)
	}
	left, _ := os.ReadDir(dir)
	t.Errorf("left behind: %v", left)
}

// What cannot be read is refused with a sentence beside the field, under the
// name the person knows.
func TestSentRecordingsThatAreRefused(t *testing.T) {
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	s, _, _ := traceBed(t, "bench-fan")
	table := []byte("tacho,ax\n0,1\n1,2\n")
	for _, c := range []struct {
		name, file, options, want string
		raw                       []byte
	}{
		{"none", "", "", "Choose the file", nil},
		{"empty", "a.csv", "rate=10", "Choose the file", []byte{}},
		{"no rate", "../../etc/a.csv", "", "add rate=", table},
		{"unknown kind", "a.exe", "", "cannot be told", table},
		{"a slip in the options", "a.csv", "rate=10&tack=tacho&header=1", "tack", table},
		{"not a WAV", "a.wav", "", "a.wav", table},
		{"damaged take", "a.take", "", "a.take", []byte("counterpoise take 1\n{")},
	} {
		w := sendFile(t, s, c.file, c.raw, home, "do", "speed", "from", "file", "options", c.options)
		if body := w.Body.String(); w.Code != http.StatusUnprocessableEntity || !strings.Contains(body, c.want) || strings.Contains(body, temp) || strings.Contains(body, "etc/") {
			t.Errorf("%s: %d, want a sentence with %q", c.name, w.Code, c.want)
		}
	}
	if w := sendFile(t, s, "a.csv", table, "http://evil.example", "do", "speed", "from", "file", "options", "rate=10"); w.Code != http.StatusForbidden {
		t.Errorf("from a foreign page: %d", w.Code)
	}
	r := httptest.NewRequest("POST", home+"/stations/bench/trace", io.MultiReader(strings.NewReader(partHead), io.LimitReader(endless{}, maxRecording+2*maxBody)))
	r.ContentLength = -1
	r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
	r.Header.Set("Origin", home)
	w := httptest.NewRecorder()
	if s.ServeHTTP(w, r); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("too large: %d %s", w.Code, w.Body)
	}
	// A recording that ends in rubbish is told where the result would stand.
	if w := sendFile(t, s, "a.csv", append(table, "x,y\n"...), home, "do", "speed", "from", "file", "options", "rate=10&tach=tacho&header=1"); w.Code == http.StatusSeeOther {
		if st := ended(t, s); st.Is != traceFailed || !strings.Contains(st.Trouble, "a.csv") {
			t.Errorf("%+v", st)
		}
	} else {
		t.Errorf("rubbish: %d", w.Code)
	}
	emptied(t, temp)
}

// endless is one part of a form that does not end.
type endless struct{}

const partHead = "--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"a.csv\"\r\n\r\n"

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = '7'
	}
	return len(p), nil
}

// A job leads to the coast-down where it may save the step, and not elsewhere.
func TestJobLeadsToTheCoastDown(t *testing.T) {
	for _, c := range []struct {
		name string
		view jobView
		want bool
	}{
		{"first trial", jobView{JobState: JobState{Step: job.Step{Action: job.ActFit, Purpose: job.PurposeTrial}}}, true},
		{"a cause is looked for", jobView{JobState: JobState{Step: job.Step{Action: job.ActInspect}}}, true},
		{"a resonance speaks", jobView{JobState: JobState{Step: job.Step{Action: job.ActFit, Purpose: job.PurposeCorrection}}, Advice: job.Advice{Verdicts: []balance.Verdict{{Code: "resonance-near"}}}}, true},
		{"a correction", jobView{JobState: JobState{Step: job.Step{Action: job.ActFit, Purpose: job.PurposeCorrection}}}, false},
		{"a first look", jobView{JobState: JobState{Step: job.Step{Action: job.ActLook}}}, false},
	} {
		if got := c.view.SpeedAsked(); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
