package main

import (
	"encoding/json"
	"math"
	"math/cmplx"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/blades/surveyfile"
	"counterpoise/internal/job"
	"counterpoise/internal/phase"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/store"
)

// storedJob is a job on the bent fan in a folder of jobs; its readings are the
// fan's closed form.
type storedJob struct {
	t   *testing.T
	id  string
	fan *rig.Rig
	j   *job.Job
	at  time.Time
}

func newStoredJob(t *testing.T, data string) *storedJob {
	t.Helper()
	g, err := rig.New("bench-fan-bent", 1)
	if err != nil {
		t.Fatal(err)
	}
	s, err := openJobs(data)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	b := &storedJob{t: t, fan: g, at: time.Unix(1e9, 0).UTC()}
	if b.id, err = s.Create(t.Context(), store.NewJob{Name: "bent", Station: "bench", At: b.at}); err != nil {
		t.Fatal(err)
	}
	if b.j, err = job.New(s.Job(b.id)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.j.Close() })
	return b
}

func (b *storedJob) do(e job.Event) {
	b.t.Helper()
	b.at = b.at.Add(time.Minute)
	e.At = b.at
	if _, err := b.j.Append(b.t.Context(), e); err != nil {
		b.t.Fatalf("%s: %v", e.Kind, err)
	}
}

func (b *storedJob) read() {
	b.t.Helper()
	r := &phase.Reading{Speed: b.fan.Machine().Speed, Turns: 200, Seconds: 12, Method: "equal"}
	for i, name := range b.fan.Describe().Channels {
		r.Channels = append(r.Channels, phase.ChannelReading{Name: name, Quantity: rotor.Velocity, Orders: []phase.Component{{Order: 1,
			Value: b.fan.TrueVectorAt(i, r.Speed), Cov: rotor.Isotropic(1e-12), DoF: 30}}})
	}
	b.do(job.Event{Kind: job.KindStarted})
	b.do(job.Event{Kind: job.KindMeasured, Reading: r})
	b.do(job.Event{Kind: job.KindStopped})
}

// trials reads the fan as found and with a trial weight in each plane.
func (b *storedJob) trials() {
	b.t.Helper()
	u := &job.Setup{Name: "bent", Machine: b.fan.Machine(), Planes: b.fan.Planes(), Virtual: true}
	for _, name := range b.fan.Describe().Channels {
		u.Sensors = append(u.Sensors, job.Sensor{Name: name, Tolerance: 1e-3})
	}
	b.do(job.Event{Kind: job.KindSetup, Setup: u})
	for _, it := range job.LookItems {
		b.do(job.Event{Kind: job.KindLook, Look: &job.Look{Item: it.Code, OK: true}})
	}
	b.read()
	for _, p := range u.Planes {
		w := []rotor.Weight{{Plane: p.Name, Mass: 0.005}}
		if err := b.fan.Fit(w); err != nil {
			b.t.Fatal(err)
		}
		b.do(job.Event{Kind: job.KindFitted, Purpose: job.PurposeTrial, Plane: p.Name, Weights: w})
		b.read()
	}
}

// bentSurvey is what a depth gauge reads on the bent fan of the virtual rig:
// blade 2 stands 5.0 mm downstream, blade 5 4.5 mm upstream (rig.bentFan).
const bentSurvey = `{"blades": 6, "blade_1_deg": 20, "tip_radius_mm": 225, "hub_radius_mm": 70, "chord_mm": 90, "blade_mass_g": 150, "cg_radius_mm": 147.5,
 "fan_z_mm": 130, "flap_hz": 150, "speed_rpm": 1422, "material": "ductile-sheet", "depth_error_mm": 0.1, "angle_error_deg": 0.1, "anticlockwise_from_ruler": true,
 "track_mm": [100, 105, 100, 100, 95.5, 100], "pitch_deg": [22, 22, 22, 22, 22, 22]}`

// With a job the survey hears what its runs say, as on the job's page.
func TestSurveyBesideAJob(t *testing.T) {
	data := t.TempDir()
	b := newStoredJob(t, data)
	id := b.id
	if code, out, errs := surveyOf(t, bentSurvey, "-", "--job", id, "--data", data); code != 1 || out != "" || !strings.Contains(errs, "set it up") {
		t.Errorf("a job that was only begun: %d %q %q", code, out, errs)
	}
	b.trials()
	if code, out, errs := surveyOf(t, "", "--job", id, "--data", data); code != 1 || out != "" || !strings.Contains(errs, "no blade survey") {
		t.Errorf("a job without a survey: %d %q %q", code, out, errs)
	}
	answer := func(stdin string, args ...string) (a surveyfile.Reply) {
		t.Helper()
		code, out, errs := surveyOf(t, stdin, append(args, "--json")...)
		if code != 0 || errs != "" {
			t.Fatalf("%v: %d %s", args, code, errs)
		}
		if err := json.Unmarshal([]byte(out), &a); err != nil {
			t.Fatal(err)
		}
		return a
	}
	alone := answer(bentSurvey, "-")
	given := answer(bentSurvey, "-", "--job", id, "--data", data)
	if alone.Measured || len(alone.Predicted) != 0 || len(given.Moves) != len(alone.Moves) {
		t.Errorf("the file alone: measured %v, %d predictions, %d moves; beside a job %d moves", alone.Measured, len(alone.Predicted), len(alone.Moves), len(given.Moves))
	}
	if !given.Measured || given.Cause.Code != "straighten" || len(given.Predicted) != len(b.fan.Describe().Channels) {
		t.Fatalf("beside the job: measured %v, %s %q, %d predictions", given.Measured, given.Cause.Code, given.Cause.Text, len(given.Predicted))
	}
	for i, p := range given.Predicted { // the closed form is in m/s peak
		if now := cmplx.Abs(b.fan.TrueVectorAt(i, b.fan.Machine().Speed)) * 1e3 / math.Sqrt2; p.Now == nil || !(math.Abs(*p.Now-now) <= 1e-9*now) {
			t.Errorf("%s is said to show %v mm/s rms, want %v", p.Sensor, p.Now, now)
		}
	}
	b.do(job.Event{Kind: job.KindSurvey, Survey: []byte(bentSurvey)})
	if kept := answer("", "--job", id, "--data", data); kept.Cause.Text != given.Cause.Text || len(kept.Predicted) != len(given.Predicted) || math.Abs(kept.Predicted[0].Amplitude-given.Predicted[0].Amplitude) > 1e-9 {
		t.Errorf("the kept survey is judged otherwise: %+v, want %+v", kept.Cause, given.Cause)
	}
	_, out, _ := surveyOf(t, "", "--job", id, "--data", data)
	if !strings.Contains(out, "mm/s rms at") || !strings.Contains(out, given.Cause.Text) || strings.Contains(out, "ignored") {
		t.Errorf("in words:\n%s", out)
	}
	for _, c := range []struct {
		code int
		args []string
	}{{1, []string{"--job", "nobody", "--data", data}}, {1, []string{"--job", id, "--data", data + "x"}}, {2, []string{"--job", id, "--data", data, "--running", "rig:extractor-track"}}} {
		if code, out, errs := surveyOf(t, "", c.args...); code != c.code || out != "" || errs == "" {
			t.Errorf("%v: %d %q %q", c.args, code, out, errs)
		}
	}
}
