package job

import (
	"math"
	"math/cmplx"
	"path/filepath"
	"strings"
	"testing"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

// learnt does a job whose sensors answer with alpha and returns what it teaches.
func learnt(t *testing.T, known *Known, alpha [2][2]complex128) (*script, State) {
	t.Helper()
	s := newScript(t, filepath.Join(t.TempDir(), "job.jsonl"))
	u := fan()
	u.Fingerprint, u.Known = "board 1", known
	s.do(Event{Kind: KindSetup, Setup: u})
	s.look()
	found := []complex128{8e-3, 5e-3i}
	s.run(reading(found...))
	s.stop()
	s.fit(PurposeTrial, "front", weight("front", 20, 40))
	w := cmplx.Rect(0.02, 40*math.Pi/180)
	s.run(reading(found[0]+alpha[0][0]*w, found[1]+alpha[1][0]*w))
	s.stop()
	s.fit(PurposeTrial, "rear", weight("rear", 20, 10))
	w = cmplx.Rect(0.02, 10*math.Pi/180)
	s.run(reading(found[0]+alpha[0][1]*w, found[1]+alpha[1][1]*w))
	s.stop()
	return s, s.j.State()
}

// What a job finds of the sensors' answer sizes and places the next job's trial,
// and an answer that has changed is told.
func TestEarlierJobsTeach(t *testing.T) {
	alpha := [2][2]complex128{{0.2, 0.05i}, {0.03, 0.15 + 0.05i}}
	_, first := learnt(t, nil, alpha)
	if _, _, ok := first.Learnt(); ok {
		t.Error("a job that is still open teaches")
	}
	first.Closed = true
	print, a, ok := first.Learnt()
	if !ok || print.Board != "board 1" || len(print.Sensors) != 2 {
		t.Fatalf("the job taught nothing: %+v", print)
	}
	for i := range alpha {
		for p := range alpha[i] {
			if cmplx.Abs(a.Influence[i][p]-alpha[i][p]) > 0.01*cmplx.Abs(alpha[0][0]) {
				t.Errorf("sensor %d, plane %d: %v, want %v", i, p, a.Influence[i][p], alpha[i][p])
			}
		}
	}
	prior, err := balance.Learn([]balance.Answer{a}, print, 0.3)
	if err != nil {
		t.Fatal(err)
	}
	s, again := learnt(t, NewKnown(prior), alpha)
	adv, err := again.Advise(Step{Action: ActFit, Stage: StagePlace, Purpose: PurposeCorrection})
	if err != nil || code(adv, "answer-changed") != "" {
		t.Errorf("the same answer: %v, %q", err, code(adv, "answer-changed"))
	}
	if again.Setup.Known.at(0, 0) != prior.Mean[0][0] || s.j.State().Setup.Known.SD[1][1] != prior.SD[1][1] {
		t.Error("what was known did not come through the file")
	}
	if !again.Setup.Known.Agrees(a) {
		t.Error("the same answer does not agree with itself")
	}
	early := State{Setup: again.Setup, Runs: again.Runs[:1], Events: again.Events}
	trial, err := early.Advise(Step{Action: ActFit, Stage: StageTrial, Purpose: PurposeTrial, Plane: "front"})
	if err != nil || !strings.Contains(code(trial, "known-answer"), "An earlier job") {
		t.Fatalf("%v, %+v", err, trial.Verdicts)
	}
	w := trial.Weights[0]
	lowered := 0.0
	for i, v := range []complex128{8e-3, 5e-3i} {
		after := v + alpha[i][0]*cmplx.Rect(w.Mass, w.Angle)
		lowered += cmplx.Abs(v)*cmplx.Abs(v) - cmplx.Abs(after)*cmplx.Abs(after)
	}
	if !(lowered > 0) {
		t.Errorf("the trial of %.3g g at %.3g rad does not lower the vibration", w.Mass*1e3, w.Angle)
	}
	turned := alpha
	for i := range turned {
		for p := range turned[i] {
			turned[i][p] *= cmplx.Rect(1, 2)
		}
	}
	_, moved := learnt(t, NewKnown(prior), turned)
	adv, err = moved.Advise(Step{Action: ActFit, Stage: StagePlace, Purpose: PurposeCorrection})
	if text := code(adv, "answer-changed"); err != nil || !strings.Contains(text, "turned by 115 degrees") {
		t.Errorf("a mark that was moved: %v, %q", err, text)
	}
	// The first trial has shown it: the second must not be placed by what is known no more.
	moved.Runs, moved.Fit = moved.Runs[:2], moved.Runs[1].Fit
	trial, err = moved.Advise(Step{Action: ActFit, Stage: StageTrial, Purpose: PurposeTrial, Plane: "rear"})
	if text := code(trial, "known-answer"); err != nil || !strings.Contains(text, "is not used") || !strings.Contains(text, "turned by 115 degrees") || strings.Contains(code(trial, "trial-advice"), "lower") {
		t.Errorf("the second trial after a mark was moved: %v, %+v", err, trial.Verdicts)
	}
	for i := range a.Influence {
		for p := range a.Influence[i] {
			a.Influence[i][p] *= cmplx.Rect(1, 2)
		}
	}
	if NewKnown(prior).Agrees(a) {
		t.Error("a moved mark agrees with what was before")
	}
}

// The second trial is placed by what the sensors show without the first weight,
// which comes off for it.
func TestSecondTrialIsPlacedFromTheBareRotor(t *testing.T) {
	alpha := [2][2]complex128{{0.2, 0.05i}, {0.03, 0.15 + 0.05i}}
	_, first := learnt(t, nil, alpha)
	first.Closed = true
	print, a, _ := first.Learnt()
	prior, err := balance.Learn([]balance.Answer{a}, print, 0.3)
	if err != nil {
		t.Fatal(err)
	}
	_, s := learnt(t, NewKnown(prior), alpha)
	s.Runs, s.Fit = s.Runs[:2], s.Runs[1].Fit
	second := Step{Action: ActFit, Stage: StageTrial, Purpose: PurposeTrial, Plane: "rear"}
	with, err := s.Advise(second)
	if err != nil {
		t.Fatal(err)
	}
	bare := s
	bare.Runs, bare.Fit = s.Runs[:1], Fit{}
	want, err := bare.Advise(second)
	if err != nil || len(with.Weights) != 1 || len(want.Weights) != 1 || with.Weights[0] != want.Weights[0] {
		t.Errorf("%v: %+v, from the bare rotor %+v", err, with.Weights, want.Weights)
	}
}

// What must not be handed to the next job: runs that contradict each other, runs
// at several speeds, findings that scatter, and those of another machine.
func TestWhatIsNotLearnt(t *testing.T) {
	alpha := [2][2]complex128{{0.2, 0.05i}, {0.03, 0.15 + 0.05i}}
	s, _ := learnt(t, nil, alpha)
	w := cmplx.Rect(0.02, 40*math.Pi/180)
	s.fit(PurposeCorrection, "", weight("front", 20, 40)) // as the first trial, but the sensors answer otherwise
	s.run(reading(8e-3-3*alpha[0][0]*w, 5e-3i-3*alpha[1][0]*w))
	s.stop()
	odd := s.j.State()
	odd.Closed = true
	if _, _, ok := odd.Learnt(); ok {
		t.Error("runs that contradict each other teach")
	}
	_, good := learnt(t, nil, alpha)
	good.Closed = true
	if _, _, ok := good.Learnt(); !ok {
		t.Fatal("a good job teaches nothing")
	}
	fast := good
	fast.Runs = append([]Run(nil), good.Runs...)
	r := *fast.Runs[1].Reading
	r.Speed *= 1.05
	fast.Runs[1].Reading = &r
	if _, _, ok := fast.Learnt(); ok {
		t.Error("runs at two speeds teach")
	}
	u := fan()
	u.Fingerprint = "board 1"
	f, _ := u.Print(100)
	u.Machine.Mass *= 1.2
	if g, _ := u.Print(100); len(f.Differences(g)) == 0 {
		t.Error("a rotor of another mass has the same print")
	}

	bad := State{Setup: &Setup{Known: &Known{Jobs: 2, Speed: 100, Influence: [][][2]float64{{{1, 0}}}, SD: [][]float64{{0.6}}}}}
	q := balance.TrialQuestion{AsFound: []complex128{1}}
	if text := bad.known(&q, 0, 100, true); text != "" || q.Alpha != nil || q.Phase {
		t.Errorf("findings that scatter by 60 %% are used: %q", text)
	}
}

func code(a Advice, code string) string {
	for _, v := range a.Verdicts {
		if v.Code == code {
			return v.Text
		}
	}
	return ""
}

// Speed, board, radius and a machine's name must agree, or nothing is known.
func TestPrintNeedsAll(t *testing.T) {
	u := fan()
	if _, ok := u.Print(100); ok {
		t.Error("a set-up without a board has a print")
	}
	u.Fingerprint = "board 1"
	if f, ok := u.Print(100); !ok || len(f.Differences(f)) > 0 {
		t.Errorf("%+v, %v", f, ok)
	}
	u.Planes[1].Radius = 0
	if _, ok := u.Print(100); ok {
		t.Error("a plane without a radius has a print")
	}
	v := fan()
	for _, k := range []*Known{{}, {Jobs: 1, Speed: 100}, {Jobs: 1, Speed: 100, Influence: [][][2]float64{{{1, 0}}, {{1, 0}}}, SD: [][]float64{{1}, {1}}},
		{Jobs: 1, Speed: 100, Influence: [][][2]float64{{{1, 0}, {math.NaN(), 0}}, {{1, 0}, {1, 0}}}, SD: [][]float64{{1, 1}, {1, 1}}}} {
		if k.check(*v) == nil {
			t.Errorf("%+v passes for known", k)
		}
	}
	far := State{Setup: &Setup{Known: &Known{Jobs: 1, Speed: rotor.RadPerSecond(1500), Influence: [][][2]float64{{{1, 0}}}, SD: [][]float64{{0.1}}}}}
	q := balance.TrialQuestion{AsFound: []complex128{1}}
	if far.known(&q, 0, rotor.RadPerSecond(1000), true) != "" || q.Alpha != nil {
		t.Error("what was found at another speed is believed")
	}
}

// A sensor that hardly answers to a plane leaves the place of the trial known, as
// long as what it may do is small beside what the others surely do.
func TestTrialIsPlacedBesideADullSensor(t *testing.T) {
	k := &Known{Jobs: 1, Speed: 100, Influence: [][][2]float64{{{1, 0}}, {{0.01, 0}}}, SD: [][]float64{{0.3}, {0.05}}}
	s := State{Setup: &Setup{Known: k}}
	for _, c := range []struct {
		found []complex128
		bare  bool
		phase bool
	}{
		{[]complex128{1, 1}, true, true},
		{[]complex128{1, 10}, true, false}, // what the dull one does to so much may outweigh the other
		{[]complex128{1, 1}, false, false}, // the first weight is still in the reading
	} {
		q := balance.TrialQuestion{AsFound: c.found}
		if text := s.known(&q, 0, 100, c.bare); text == "" || q.Phase != c.phase || q.Alpha[0] != 1 || q.Alpha[1] != 0 || strings.Contains(text, "should lower") != c.phase {
			t.Errorf("%v, %v: phase %v, %v: %s", c.found, c.bare, q.Phase, q.Alpha, text)
		}
	}
}
