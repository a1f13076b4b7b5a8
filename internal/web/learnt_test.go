package web

import (
	"fmt"
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
	s.stations[0].Config.Machine.Blade1 = 0
	s.stations[0].Config.Machine.Mass *= 2
	if k := next().Known; k != nil {
		t.Errorf("known of a rotor of another mass: %+v", k)
	}
	s.stations[0].Config.Machine.Mass /= 2
	if list, err := s.desk.jobs.Jobs(t.Context()); err != nil || len(list) != 5 {
		t.Errorf("%d jobs, %v", len(list), err)
	}
}

// What a closed job teaches follows the job as it stands now: not while it is
// reopened, not after the weight was amended as it was before, not to another
// station, and not once somebody says that the mark is elsewhere.
func TestWhatIsTaughtFollowsTheJob(t *testing.T) {
	s := atMachine(t)
	s.stations[0].Config.Machine.Name = "fan 3"
	events, _ := beginJob(t, s)
	a := theJob(s)
	measuredRun(t, a, 1)
	fitted := job.Event{At: a.desk.now(), By: "Ada", Kind: job.KindFitted, Purpose: job.PurposeTrial, Plane: "hub", Weights: []rotor.Weight{{Plane: "hub", Mass: 0.02}}}
	st, err := a.job.Append(t.Context(), fitted)
	must(t, err)
	measuredRun(t, a, 0.5)
	post := func(path, body string) {
		t.Helper()
		if code, got := postTo(s, path, body); code != http.StatusOK {
			t.Fatalf("%s: %d %v", body, code, got)
		}
	}
	known := func() *job.Known {
		t.Helper()
		u := *a.job.State().Setup
		must(t, s.desk.remember(t.Context(), "bench", &u))
		return u.Known
	}
	if known() != nil {
		t.Error("a job that is open teaches")
	}
	post(events, `{"do":"close","by":"Ada","note":"enough"}`)
	first := known()
	if first == nil {
		t.Fatal("a closed job teaches nothing")
	}
	u := *a.job.State().Setup
	if must(t, s.desk.remember(t.Context(), "another", &u)); u.Known != nil {
		t.Error("a job of another station is believed")
	}
	post(events, `{"do":"reopen","by":"Ada"}`)
	if k := known(); k != nil {
		t.Errorf("a job that was reopened teaches %+v", k)
	}
	post(events, `{"do":"close","by":"Ada","note":"enough"}`)
	post(events, fmt.Sprintf(`{"do":"amend","by":"Ada","note":"it was the heavier one","target":%d,"weights":[{"plane":"hub","mass_g":40,"angle_deg":0}]}`, st.Events))
	if k := known(); k == nil || math.Abs(k.Influence[0][0][0]-first.Influence[0][0][0]/2) > 1e-9 {
		t.Errorf("after twice the weight was entered: %+v, before %+v", k, first)
	}
	post(events, fmt.Sprintf(`{"do":"undo","by":"Ada","target":%d}`, st.Events))
	if k := known(); k != nil {
		t.Errorf("a job whose trial was undone teaches %+v", k)
	}
	post(events, fmt.Sprintf(`{"do":"redo","by":"Ada","target":%d}`, st.Events))

	next, got := beginJob(t, s)
	b := s.desk.open[got["id"].(string)]
	if b.job.State().Setup.Known == nil {
		t.Fatal("the next job knows nothing")
	}
	post(next, `{"do":"look","by":"Ada","item":"blade-1","ok":true,"blade_1_deg":120,"confirmed":`+tickedAll()+`}`)
	if k := b.job.State().Setup.Known; k != nil {
		t.Errorf("known after somebody said where the mark is now: %+v", k)
	}
}
