package web

import (
	"math"
	"net/http"
	"testing"

	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
)

// What a closed job found of the sensors' answer is known to the next one of the
// same set-up, and to no other.
func TestClosedJobTeachesTheNext(t *testing.T) {
	s := atMachine(t)
	s.stations[0].Config.Machine.Name = "fan 3"
	events, _ := beginJob(t, s)
	a := theJob(s)
	if a.job.State().Setup.Known != nil {
		t.Error("the first job knows something")
	}
	measuredRun(t, a, 1)
	w := []rotor.Weight{{Plane: "hub", Mass: 0.02}}
	if _, err := a.job.Append(t.Context(), job.Event{At: a.desk.now(), By: "Ada", Kind: job.KindFitted, Purpose: job.PurposeTrial, Plane: "hub", Weights: w}); err != nil {
		t.Fatal(err)
	}
	measuredRun(t, a, 0.5)
	if code, got := postTo(s, events, `{"do":"close","by":"Ada","note":"enough"}`); code != http.StatusOK || !a.job.State().Closed {
		t.Fatalf("%d %v", code, got)
	}
	next := func() *job.Setup {
		_, got := beginJob(t, s)
		return s.desk.open[got["id"].(string)].job.State().Setup
	}
	k := next().Known
	if k == nil || k.Jobs != 1 {
		t.Fatalf("the next job knows %+v", k)
	}
	v := a.job.State().Runs[0].Reading.Channels[0].Orders[0].Value
	if got := complex(k.Influence[0][0][0], k.Influence[0][0][1]); math.Abs(real(got*0.02+v/2)) > 1e-6 || math.Abs(imag(got*0.02+v/2)) > 1e-6 {
		t.Errorf("the answer is %v, want %v", got, -v/0.04)
	}
	s.stations[0].Config.Planes[0].Radius *= 1.1
	if k := next().Known; k != nil {
		t.Errorf("known at another radius: %+v", k)
	}
	s.stations[0].Config.Planes[0].Radius /= 1.1
	s.stations[0].Config.Machine.Blade1 = 0.5
	if k := next().Known; k != nil {
		t.Errorf("known with another mark: %+v", k)
	}
	if list, err := s.desk.jobs.Jobs(t.Context()); err != nil || len(list) != 4 {
		t.Errorf("%d jobs, %v", len(list), err)
	}
}
