package job

import (
	"path/filepath"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

// A set-up that says 98 rpm of a rotor that runs at 980 would let a weight pull a
// hundred times what it may: the speed that was measured counts.
func TestMeasuredSpeedLimitsTheForce(t *testing.T) {
	s := newScript(t, filepath.Join(t.TempDir(), "job.jsonl"))
	u := fan()
	u.Machine.Speed /= 10
	u.Planes[0].Cap = 0
	s.do(Event{Kind: KindSetup, Setup: u})
	s.look()
	heavy := []rotor.Weight{weight("front", 300, 0)} // 632 N at 980 rpm, and 500 N is the limit
	if err := s.j.State().Setup.CheckForce(heavy); err != nil {
		t.Fatalf("before anything was measured: %v", err)
	}
	s.run(reading(8e-3, 5e-3i))
	s.stop()
	if err := s.try(Event{Kind: KindFitted, Purpose: PurposeTrial, Plane: "front", Weights: heavy}); err == nil || !strings.Contains(err.Error(), "631.9 N") || !strings.Contains(err.Error(), "980 rpm") {
		t.Errorf("300 g at 980 rpm: %v", err)
	}
	step := Step{Action: ActFit, Stage: StageTrial, Purpose: PurposeTrial, Plane: "front"}
	adv, err := s.j.State().Advise(step)
	// 10 % of 90 kg is 88.26 N, at 0.2 m and 980 rpm 41.9 g.
	if err != nil || !(total(adv.Weights, "front") <= 0.04191) || !strings.Contains(code(adv, "faster-than-stated"), "measured at 980 rpm") {
		t.Errorf("%v, %+v", err, adv)
	}
	if got, want := s.j.State().Setup.Machine.Speed, rotor.RadPerSecond(980); got != want {
		t.Errorf("the grade is judged at %.4g rpm", rotor.RPM(got))
	}
	u.Machine.Speed *= 10
	s.do(Event{Kind: KindSetup, Setup: u})
	if adv, err = s.j.State().Advise(step); err != nil || code(adv, "faster-than-stated") != "" {
		t.Errorf("after the speed was put right: %v, %+v", err, adv.Verdicts)
	}

	s = newScript(t, filepath.Join(t.TempDir(), "job.jsonl"))
	u.Machine.Speed = 0
	s.do(Event{Kind: KindSetup, Setup: u})
	s.look()
	s.run(reading(8e-3, 5e-3i))
	s.stop()
	if _, err := s.j.State().Advise(step); err == nil || !strings.Contains(err.Error(), "Force unknown") {
		t.Errorf("no highest speed was stated: %v", err)
	}
}
