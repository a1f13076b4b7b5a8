package job

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/balance"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

var t0 = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

func fan() *Setup {
	return &Setup{
		Name:    "fan 3",
		Machine: rotor.Machine{Name: "fan 3", Mass: 90, Speed: rotor.RadPerSecond(980), Grade: 6.3e-3, Blades: 8},
		Planes: []rotor.Plane{
			{Name: "front", Radius: 0.2, Cap: 0.2, MaxForce: 500, Positions: rotor.EvenPositions(16, 0, rotor.WithRotation)},
			{Name: "rear", Radius: 0.2, Cap: 0.2},
		},
		Sensors: []Sensor{{Name: "DE-H", Tolerance: 1e-3}, {Name: "NDE-H", Tolerance: 1e-3}},
		Errors:  balance.Errors{},
	}
}

// reading has a standard error of 1e-5 m/s per axis on every sensor.
func reading(vs ...complex128) *phase.Reading {
	names := []string{"DE-H", "NDE-H"}
	r := &phase.Reading{Speed: rotor.RadPerSecond(980), Turns: 200, Seconds: 12, Method: "equal"}
	for i, v := range vs {
		r.Channels = append(r.Channels, phase.ChannelReading{Name: names[i], Quantity: rotor.Velocity,
			Orders: []phase.Component{{Order: 1, Value: v, Cov: rotor.Isotropic(1e-10), DoF: 30}}})
	}
	r.Dropped[phase.DropGap] = 3
	return r
}

// script appends events a minute apart and fails the test where one is refused.
type script struct {
	t *testing.T
	j *Job
	n int
}

func newScript(t *testing.T, path string) *script {
	t.Helper()
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return &script{t: t, j: j}
}

func (s *script) now() time.Time { return t0.Add(time.Duration(s.n) * time.Minute) }

func (s *script) try(e Event) error {
	s.n++
	e.At = s.now()
	_, err := s.j.Append(context.Background(), e)
	return err
}

func (s *script) do(e Event) State {
	s.t.Helper()
	if err := s.try(e); err != nil {
		s.t.Fatalf("%s refused: %v", e.Kind, err)
	}
	return s.j.State()
}

func (s *script) look() {
	s.t.Helper()
	for _, it := range LookItems {
		s.do(Event{Kind: KindLook, Look: &Look{it.Code, true}})
	}
}

// next checks the offered step.
func (s *script) next(a Action, stage Stage, plane string) Step {
	s.t.Helper()
	st := s.j.Next(s.now())
	if st.Action != a || st.Stage != stage || st.Plane != plane {
		s.t.Fatalf("next is %s/%s %q (%s), want %s/%s %q", st.Stage, st.Action, st.Plane, st.What, stage, a, plane)
	}
	if st.What == "" || st.Why == "" {
		s.t.Fatalf("step %s/%s has no words", st.Stage, st.Action)
	}
	return st
}

func (s *script) run(r *phase.Reading) {
	s.t.Helper()
	s.do(Event{Kind: KindStarted})
	s.do(Event{Kind: KindMeasured, Reading: r})
}

func (s *script) stop() { s.t.Helper(); s.do(Event{Kind: KindStopped}) }

func (s *script) fit(purpose, plane string, ws ...rotor.Weight) {
	s.t.Helper()
	s.do(Event{Kind: KindFitted, Purpose: purpose, Plane: plane, Weights: ws})
}

func weight(plane string, g, deg float64) rotor.Weight {
	return rotor.Weight{Plane: plane, Mass: g / 1e3, Angle: rotor.WithRotation.Radians(deg)}
}

// TestWholeJobByHand walks every stage, and checks the step offered each time,
// that people are warned, and that reopening at every point loses nothing.
func TestWholeJobByHand(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.jsonl")
	s := newScript(t, path)
	reopen := func() {
		t.Helper()
		want := s.j.State()
		s.j.Close()
		j, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { j.Close() })
		s.j = j
		if got := j.State(); !reflect.DeepEqual(got, want) {
			t.Fatalf("reopened state differs:\n got %+v\nwant %+v", got, want)
		}
	}
	s.next(ActDescribe, StageLook, "")
	s.do(Event{Kind: KindSetup, Setup: fan()})
	for _, it := range LookItems {
		if st := s.next(ActLook, StageLook, ""); st.Item != it.Code || len(st.Cautions) == 0 {
			t.Fatalf("look offers %q with %d cautions, want %q with some", st.Item, len(st.Cautions), it.Code)
		}
		s.do(Event{Kind: KindLook, Look: &Look{it.Code, true}, File: it.Code + ".jpg"})
	}
	reopen()
	s.next(ActStart, StageFirst, "")
	s.do(Event{Kind: KindStarted})
	reopen()
	s.next(ActMeasure, StageFirst, "")
	s.do(Event{Kind: KindMeasured, Reading: reading(6e-3, 3e-3i), Overall: []float64{5e-3, 3e-3}})
	if st := s.next(ActStop, StageFirst, ""); st.Skip != keyRepeat {
		t.Fatalf("the repeat cannot be left out: %+v", st)
	}
	s.stop()
	s.next(ActStart, StageFirst, "")
	s.run(reading(6.01e-3, 3e-3i))
	reopen()
	s.next(ActStop, StageTrial, "front")
	s.stop()
	s.next(ActFit, StageTrial, "front")
	s.fit(PurposeTrial, "front", weight("front", 40, 90))
	reopen()
	s.next(ActStart, StageTrial, "front")
	s.run(reading(4e-3, 2e-3i))
	s.next(ActStop, StageTrial, "rear")
	s.stop()
	s.fit(PurposeTrial, "rear", weight("rear", 40, 0))
	s.next(ActStart, StageTrial, "rear")
	s.run(reading(5e-3, 4e-3i))
	s.stop()
	if st := s.next(ActFit, StagePlace, ""); st.Purpose != PurposeCorrection {
		t.Fatalf("purpose %q", st.Purpose)
	}
	s.fit(PurposeCorrection, "", weight("front", 50, 100), weight("rear", 20, 10))
	s.next(ActStart, StageProof, "")
	s.run(reading(1.5e-3, 0.2e-3))
	reopen()
	s.next(ActStop, StagePlace, "")
	s.stop()
	if st := s.next(ActFit, StagePlace, ""); st.Purpose != PurposeTrim || !strings.Contains(st.Why, "DE-H") {
		t.Fatalf("purpose %q why %q", st.Purpose, st.Why)
	}
	s.fit(PurposeTrim, "", weight("front", 55, 105), weight("rear", 20, 10))
	s.run(reading(0.2e-3, 0.2e-3))
	reopen()
	s.next(ActClose, StageClose, "")
	s.do(Event{Kind: KindClosed})
	s.next(ActDone, StageClose, "")
	var names []string
	for _, r := range s.j.State().Case().Runs {
		names = append(names, r.Name)
	}
	want := "as found|as found, reading 2|trial front|trial rear|proof|proof after trim 1"
	if got := strings.Join(names, "|"); got != want {
		t.Errorf("runs %s, want %s", got, want)
	}
	c := s.j.State().Case()
	if v := c.Runs[0].Vectors[1]; v.V != 3e-3i || v.Cov != rotor.Isotropic(1e-10) || v.DoF != 30 || !v.Known {
		t.Errorf("the vector came back as %+v", v)
	}
	if d := s.j.State().Runs[0].Reading.Dropped[phase.DropGap]; d != 3 {
		t.Errorf("%d dropped turns, want 3", d)
	}
	if w := c.Runs[4].Weights; len(w) != 2 || !(cmplx.Abs(w[0].Phasor(0.2)-cmplx.Rect(0.05, rotor.WithRotation.Radians(100))) < 1e-12) {
		t.Errorf("weights of the proof: %+v", w)
	}
}

// TestRefusals: what must not be recorded, and why, in words.
func TestRefusals(t *testing.T) {
	begin := func(s *script) { s.do(Event{Kind: KindSetup, Setup: fan()}) }
	ready := func(s *script) { begin(s); s.look() }
	running := func(s *script) { ready(s); s.do(Event{Kind: KindStarted}) }
	nan := fan()
	nan.Machine.Mass = 0 / zero
	for _, c := range []struct {
		name   string
		before func(*script)
		event  Event
		want   string
	}{
		{"nothing described", func(*script) {}, Event{Kind: KindStarted}, "describe the machine"},
		{"no planes", func(*script) {}, Event{Kind: KindSetup, Setup: &Setup{Sensors: fan().Sensors}}, "at least one correction plane"},
		{"not a number", func(*script) {}, Event{Kind: KindSetup, Setup: nan}, "not a number"},
		{"start without cautions", begin, Event{Kind: KindStarted}, "Read the cautions"},
		{"cracked", func(s *script) {
			ready(s)
			s.do(Event{Kind: KindLook, Look: &Look{ItemCracks, false}, Note: "root of blade 4"})
		}, Event{Kind: KindStarted}, "cracks"},
		{"crack skipped", func(s *script) {
			ready(s)
			s.do(Event{Kind: KindLook, Look: &Look{ItemCracks, false}, Note: "root of blade 4"})
		}, Event{Kind: KindSkipped, Step: "look:" + ItemCracks, Note: "hurry"}, "must not be left out"},
		{"trouble without note", begin, Event{Kind: KindLook, Look: &Look{"clean", false}}, "note"},
		{"unknown point", begin, Event{Kind: KindLook, Look: &Look{"colour", true}}, "no point"},
		{"look at a turning rotor", running, Event{Kind: KindLook, Look: &Look{"clean", true}}, "while it turns"},
		{"fit while turning", running, Event{Kind: KindFitted, Purpose: PurposeTrial, Plane: "front", Weights: []rotor.Weight{weight("front", 1, 0)}}, "while the rotor turns"},
		{"start twice", running, Event{Kind: KindStarted}, "running already"},
		{"stop twice", ready, Event{Kind: KindStopped}, "standing already"},
		{"measure at rest", ready, Event{Kind: KindMeasured, Reading: reading(1)}, "standing"},
		{"no reading", running, Event{Kind: KindMeasured}, "reading is missing"},
		{"another board", running, Event{Kind: KindMeasured, Reading: &phase.Reading{Turns: 9, Channels: []phase.ChannelReading{{Name: "ch7"}}}}, "none of the job's sensors"},
		{"reading not a number", running, Event{Kind: KindMeasured, Reading: reading(cmplx.NaN())}, "not a number"},
		{"unknown plane", ready, Event{Kind: KindFitted, Purpose: PurposeTrim, Weights: []rotor.Weight{weight("hub", 1, 0)}}, `no plane "hub"`},
		{"negative mass", ready, Event{Kind: KindFitted, Purpose: PurposeTrim, Weights: []rotor.Weight{weight("front", -1, 0)}}, "zero or more"},
		{"over the cap", ready, Event{Kind: KindFitted, Purpose: PurposeTrim, Weights: []rotor.Weight{weight("rear", 150, 0), weight("rear", 51, 90)}}, "cap of 200 g"},
		// m r w^2 by hand: 90 g at 0.2 m and 100 g at 0.4 m pull 190 N and 421 N at 980 rpm.
		{"over the force, stacked", ready, Event{Kind: KindAdvised, Purpose: PurposeTrim, Weights: []rotor.Weight{weight("front", 90, 10), {Plane: "front", Mass: 0.1, Angle: rotor.WithRotation.Radians(370), Radius: 0.4}}}, "more than the 500 N"},
		{"no purpose", ready, Event{Kind: KindFitted}, "purpose"},
		{"skip without note", ready, Event{Kind: KindSkipped, Step: keyRepeat}, "note"},
		{"skip what is not due", ready, Event{Kind: KindSkipped, Step: "trial:front", Note: "x"}, "must not be left out"},
		{"close too early", ready, Event{Kind: KindClosed}, "only be closed with a note"},
		{"undo a start", running, Event{Kind: KindUndone, Target: 11}, "cannot be taken back"},
		{"undo the only setup", begin, Event{Kind: KindUndone, Target: 1}, "only description"},
		{"undo the future", begin, Event{Kind: KindUndone, Target: 9}, "no event 9"},
		{"redo what counts", begin, Event{Kind: KindRedone, Target: 1}, "counts already"},
		{"unknown kind", ready, Event{Kind: "danced"}, `"danced" is not known`},
		{"stale", ready, Event{Kind: KindStarted, Seen: 3}, ErrStale.Error()},
		{"lost sensor", func(s *script) { running(s); s.do(Event{Kind: KindMeasured, Reading: reading(1e-3, 1e-3)}) },
			Event{Kind: KindSetup, Setup: func() *Setup { u := fan(); u.Sensors = u.Sensors[:1]; return u }()}, "NDE-H"},
		{"other board", func(s *script) { running(s); s.do(Event{Kind: KindMeasured, Reading: reading(1e-3, 1e-3)}) },
			Event{Kind: KindSetup, Setup: func() *Setup { u := fan(); u.Fingerprint = "z"; return u }()}, "new job"},
		{"too big", begin, Event{Kind: KindNoted, Note: strings.Repeat("x", maxLine)}, "too large"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "j")
			s := newScript(t, path)
			c.before(s)
			before, _ := os.ReadFile(path)
			was := s.j.State()
			err := s.try(c.event)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("error %v, want one with %q", err, c.want)
			}
			if strings.ContainsAny(err.Error(), "\n") {
				t.Errorf("more than one line: %q", err)
			}
			after, _ := os.ReadFile(path)
			if !bytes.Equal(before, after) || !reflect.DeepEqual(was, s.j.State()) {
				t.Error("a refused event changed the job")
			}
		})
	}
}

var zero float64

// TestUndoRedoAmend: records can be taken back and put right, readings that
// rest on an undone record do not count, and nothing leaves the file.
func TestUndoRedoAmend(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j")
	s := newScript(t, path)
	s.do(Event{Kind: KindSetup, Setup: fan()})
	s.look()
	s.run(reading(6e-3, 3e-3))
	first := s.j.State().Events
	s.stop()
	s.do(Event{Kind: KindSkipped, Step: keyRepeat, Note: "the shift ends"})
	s.fit(PurposeTrial, "front", weight("front", 40, 90))
	fit := s.j.State().Events
	s.run(reading(4e-3, 2e-3))
	s.stop()
	full := s.j.State()

	s.do(Event{Kind: KindUndone, Target: fit, Note: "it was another weight"})
	if st := s.j.State(); len(st.Runs) != 1 || len(st.Refused) != 1 {
		t.Errorf("after the undo %d runs count and %d do not, want 1 and 1", len(st.Runs), len(st.Refused))
	}
	if st := s.next(ActFit, StageTrial, ""); !strings.Contains(st.What, "really on it") {
		t.Errorf("offered: %s", st.What)
	}
	s.do(Event{Kind: KindRedone, Target: fit})
	if got := s.j.State(); !reflect.DeepEqual(got.Runs, full.Runs) || !reflect.DeepEqual(got.Fit, full.Fit) || got.Unsure != 0 || len(got.Undone) != 0 {
		t.Errorf("undo and redo do not return to where it was:\n%+v\n%+v", got, full)
	}
	s.do(Event{Kind: KindAmended, Target: fit, Purpose: PurposeTrial, Plane: "rear", Weights: []rotor.Weight{weight("rear", 42, 180)}, Note: "read the scales again"})
	st := s.j.State()
	if w := st.Runs[1].Fit.Weights; len(w) != 1 || w[0].Plane != "rear" || !(w[0].Mass == 0.042) {
		t.Errorf("the amended weights are %+v", w)
	}
	if st.Runs[1].Name != "trial rear" {
		t.Errorf("the run is called %q", st.Runs[1].Name)
	}
	s.next(ActFit, StageTrial, "front")
	s.do(Event{Kind: KindUndone, Target: first})
	s.next(ActFit, StageFirst, "") // weights off, then as found once more
	events, err := ReadFile(path)
	if err != nil || len(events) != st.Events+1 {
		t.Errorf("%d events in the file (%v), want %d", len(events), err, st.Events+1)
	}
	if err := s.try(Event{Kind: KindUndone, Target: first}); err == nil {
		t.Error("undone twice")
	}
}

// TestUntrustedReadingIsKeptNotUsed: a reading with a fatal flag stays in the
// log, never becomes a run, and the next step says why it has to be repeated.
func TestUntrustedReadingIsKeptNotUsed(t *testing.T) {
	s := newScript(t, filepath.Join(t.TempDir(), "j"))
	s.do(Event{Kind: KindSetup, Setup: fan()})
	s.look()
	bad := reading(6e-3, 3e-3)
	bad.Flags = []phase.Flag{{Code: "speed", Text: "the speed ran away by 3 %: hold it and measure again", Fatal: true}}
	s.run(bad)
	if n := len(s.j.State().Case().Runs); n != 0 {
		t.Fatalf("%d runs count", n)
	}
	if st := s.next(ActMeasure, StageFirst, ""); !strings.Contains(st.Why, "ran away") {
		t.Errorf("why: %s", st.Why)
	}
	empty := reading(6e-3, 3e-3)
	empty.Turns = 0
	s.do(Event{Kind: KindMeasured, Reading: empty})
	if n := len(s.j.State().Refused); n != 2 {
		t.Errorf("%d refused readings, want 2", n)
	}
}

// A clock that is put back by a day makes nobody wait a day: what was recorded
// before happened before, so an hour after the newest event is enough.
func TestClockPutBack(t *testing.T) {
	s := newScript(t, filepath.Join(t.TempDir(), "job.jsonl"))
	u := fan()
	u.StartsPerHour = 1
	s.do(Event{Kind: KindOperator, By: "Ada"})
	s.do(Event{Kind: KindSetup, By: "Ada", Setup: u})
	for _, it := range LookItems {
		s.do(Event{Kind: KindLook, By: "Ada", Look: &Look{it.Code, true}})
	}
	s.do(Event{Kind: KindStarted, By: "Ada"})
	s.n -= 24 * 60
	if at, ok := s.j.State().startAllowed(s.now()); ok || at.Sub(s.now()) != time.Hour {
		t.Errorf("before anything was recorded: %v in %s", ok, at.Sub(s.now()))
	}
	s.do(Event{Kind: KindStopped, By: "Ada"})
	stopped := s.now()
	if at, ok := s.j.State().startAllowed(stopped.Add(30 * time.Minute)); ok || at.Sub(stopped) != time.Hour {
		t.Errorf("half an hour after the stop: %v, %s after it", ok, at.Sub(stopped))
	}
	if _, ok := s.j.State().startAllowed(stopped.Add(time.Hour)); !ok {
		t.Error("an hour after the stop the motor is still locked")
	}
	if err := s.try(Event{Kind: KindOperator, By: "Bob"}); err == nil || strings.Contains(err.Error(), "-") {
		t.Errorf("taking over: %v", err)
	}
}

// TestStartsPerHour: starts count against the motor's limit, undone or not.
func TestStartsPerHour(t *testing.T) {
	s := newScript(t, filepath.Join(t.TempDir(), "j"))
	u := fan()
	u.StartsPerHour = 2
	s.do(Event{Kind: KindSetup, Setup: u})
	s.look()
	s.do(Event{Kind: KindStarted, Purpose: AlreadyRunning})
	s.do(Event{Kind: KindMeasured, Reading: reading(6e-3, 3e-3)})
	s.stop()
	if st := s.next(ActStart, StageFirst, ""); !strings.Contains(st.What, "start 1 of 2") {
		t.Errorf("what: %s", st.What)
	}
	s.run(reading(6e-3, 3e-3))
	firstStart := s.j.State().Starts[0]
	s.stop()
	s.fit(PurposeTrial, "front", weight("front", 40, 0))
	s.run(reading(5e-3, 3e-3))
	s.stop()
	s.fit(PurposeTrial, "rear", weight("rear", 40, 0))
	st := s.next(ActWait, StageTrial, "rear")
	if !st.NotBefore.Equal(firstStart.Add(time.Hour)) {
		t.Errorf("not before %v, want %v", st.NotBefore, firstStart.Add(time.Hour))
	}
	if err := s.try(Event{Kind: KindStarted}); err == nil || !strings.Contains(err.Error(), "used up") {
		t.Errorf("third start: %v", err)
	}
	s.n += 60
	s.next(ActStart, StageTrial, "rear")
	s.do(Event{Kind: KindStarted})
}

// TestAbort: what was broken off is not run again as it is.
func TestAbort(t *testing.T) {
	s := newScript(t, filepath.Join(t.TempDir(), "j"))
	u := fan()
	u.Abort = 20e-3
	s.do(Event{Kind: KindSetup, Setup: u})
	s.look()
	if st := s.next(ActStart, StageFirst, ""); !strings.Contains(st.What, "14.1 mm/s rms") {
		t.Errorf("the abort level is not named: %s", st.What)
	}
	s.do(Event{Kind: KindStarted})
	s.do(Event{Kind: KindAborted, Level: 30e-3})
	if err := s.try(Event{Kind: KindMeasured, Reading: reading(1e-3, 1e-3)}); err == nil {
		t.Error("a reading of a run that was broken off was taken")
	}
	s.next(ActStop, StageFirst, "")
	s.stop()
	st := s.next(ActInspect, StageFirst, "")
	if err := s.try(Event{Kind: KindStarted}); err == nil {
		t.Error("started again as it was")
	}
	s.do(Event{Kind: KindSkipped, Step: st.Skip, Note: "a rag in the guard, removed"})
	s.run(reading(6e-3, 3e-3))
	s.stop()
	s.do(Event{Kind: KindSkipped, Step: keyRepeat, Note: "enough"})
	s.fit(PurposeTrial, "front", weight("front", 90, 0))
	s.do(Event{Kind: KindStarted})
	s.do(Event{Kind: KindAborted, Level: 25e-3})
	s.stop()
	if st := s.next(ActFit, StageTrial, "front"); st.Purpose != PurposeBare {
		t.Errorf("offered %+v", st)
	}
	s.fit(PurposeBare, "front")
	if st := s.next(ActFit, StageTrial, "front"); st.Purpose != PurposeTrial {
		t.Errorf("offered %+v", st)
	}
	if adv, err := s.j.State().Advise(s.next(ActFit, StageTrial, "front")); err != nil || total(adv.Weights, "front") > 0.045 {
		t.Errorf("after an aborted trial of 90 g: %+v, %v", adv.Weights, err)
	}
	for _, p := range []string{"front", "rear"} {
		s.fit(PurposeTrial, p, weight(p, 30, 0))
		s.run(reading(5e-3, 3e-3i))
		s.stop()
	}
	s.fit(PurposeCorrection, "", weight("front", 90, 180))
	s.do(Event{Kind: KindStarted})
	s.do(Event{Kind: KindAborted, Level: 40e-3})
	s.stop()
	s.fit(PurposeBare, "")
	st = s.next(ActInspect, StagePlace, "")
	s.do(Event{Kind: KindSkipped, Step: st.Skip, Note: "planes were exchanged; amended"})
	if st := s.next(ActFit, StagePlace, ""); st.Purpose != PurposeCorrection {
		t.Errorf("offered %+v", st)
	}
}

// TestProofCountsItsUncertainty: the readings here have a standard error of 1e-5
// m/s per axis from 30 degrees of freedom, so 95 % lie within 2.624e-5 (Hotelling:
// sqrt(2 x 30/29 x F(0.95; 2, 29)) with F = 3.328; F from published tables, 3.33).
func TestProofCountsItsUncertainty(t *testing.T) {
	for level, want := range map[float64]Action{0.970e-3: ActClose, 0.978e-3: ActStop} { // tolerance 1e-3
		s := newScript(t, filepath.Join(t.TempDir(), "j"))
		u := fan()
		u.Planes = u.Planes[:1]
		s.do(Event{Kind: KindSetup, Setup: u})
		s.look()
		s.run(reading(6e-3, 4e-3))
		s.stop()
		s.do(Event{Kind: KindSkipped, Step: keyRepeat, Note: "x"})
		s.fit(PurposeTrial, "front", weight("front", 30, 0))
		s.run(reading(5e-3, 3e-3))
		s.stop()
		s.fit(PurposeCorrection, "", weight("front", 60, 0))
		s.run(reading(complex(0, level), 1e-4))
		st := s.j.Next(s.now())
		if st.Action != want {
			t.Errorf("at %g m/s of 1e-3 the next step is %s (%s)", level, st.Action, st.Why)
		}
		l := s.j.State().Levels(s.j.State().Runs[2], s.j.State().Tolerances())[0]
		if !(math.Abs(l.Radius95-2.624e-5) <= 0.01e-5) {
			t.Errorf("95 %% radius %g, want 2.624e-5", l.Radius95)
		}
	}
}

// TestAdviceSuspectsSlips: a trial weight recorded on the wrong side makes the
// correction double the vibration; the advice that follows names the slip.
func TestAdviceSuspectsSlips(t *testing.T) {
	s := newScript(t, filepath.Join(t.TempDir(), "j"))
	u := fan()
	u.Planes = u.Planes[:1]
	s.do(Event{Kind: KindSetup, Setup: u})
	s.look()
	v0, a := []complex128{6e-3, 4e-3i}, []complex128{0.1, 0.066i}
	really := func(w complex128) *phase.Reading { return reading(v0[0]+a[0]*w, v0[1]+a[1]*w) }
	s.run(really(0))
	s.stop()
	s.run(really(0))
	s.stop()
	s.fit(PurposeTrial, "front", weight("front", 30, 45))
	s.run(really(-0.03 * cmplx.Rect(1, math.Pi/4))) // it really sits opposite
	s.stop()
	adv, err := s.j.State().Advise(s.next(ActFit, StagePlace, ""))
	if err != nil {
		t.Fatal(err)
	}
	s.fit(PurposeCorrection, "", adv.Weights...)
	var w complex128
	for _, x := range adv.Weights {
		w += x.Phasor(0.2)
	}
	s.run(really(w))
	s.stop()
	adv, err = s.j.State().Advise(s.next(ActFit, StagePlace, ""))
	said := fmt.Sprint(adv.Verdicts, err)
	if !strings.Contains(said, "slip-suspected") || !strings.Contains(said, "opposite") && !strings.Contains(said, "180") {
		t.Errorf("nothing said about a weight on the opposite side: %s", said)
	}
}

// TestOneOperates: several may look, one operates, and taking over is an event.
func TestOneOperates(t *testing.T) {
	s := newScript(t, filepath.Join(t.TempDir(), "j"))
	s.do(Event{Kind: KindOperator, By: "Ada, phone"})
	s.do(Event{Kind: KindSetup, By: "Ada, phone", Setup: fan()})
	for _, e := range []Event{
		{Kind: KindLook, By: "Bob", Look: &Look{"clean", true}},
		{Kind: KindLook, Look: &Look{"clean", true}},
		{Kind: KindOperator, By: "Bob"},
		{Kind: KindOperator},
	} {
		if err := s.try(e); err == nil {
			t.Errorf("%s by %q was taken", e.Kind, e.By)
		}
	}
	s.do(Event{Kind: KindNoted, By: "Bob", Note: "the belt squeals"})
	s.do(Event{Kind: KindOperator, By: "Bob", Note: "Ada's battery is empty"})
	if err := s.try(Event{Kind: KindLook, By: "Ada, phone", Look: &Look{"clean", true}}); err == nil {
		t.Error("the former operator still operates")
	}
	s.n += 11
	s.do(Event{Kind: KindOperator, By: "Ada, phone"}) // Bob has been silent for longer than the lease
}

// TestStepsCarryCautions: no step puts a person near the rotor or starts it
// without saying how not to get hurt.
func TestStepsCarryCautions(t *testing.T) {
	has := func(cs []Caution, want ...Caution) bool {
		for _, w := range want {
			found := false
			for _, c := range cs {
				found = found || c == w
			}
			if !found {
				return false
			}
		}
		return true
	}
	near := []Caution{cautionRules, cautionIsolate, cautionEnergy, cautionBlock, cautionStill}
	if !has(cautionsNear, near...) || !has(cautionsFit, append(near, cautionFasten, cautionWeld, cautionCap)...) ||
		!has(cautionsStart, cautionRules, cautionClear, cautionPlane, cautionGuards, cautionSpeed) {
		t.Error("a list of cautions is not complete")
	}
	if !has(AllCautions(), append(append(cautionsFit, cautionsStart...), cautionsRun...)...) {
		t.Error("AllCautions leaves one out")
	}
	// Random walks through a job: every event kind at random, whatever is
	// accepted; the offered step must always be safe.
	for seed := range uint64(100) {
		j := New2(t, memory{})
		rng := rand.New(rand.NewPCG(seed, 7))
		for n := range 60 {
			now := t0.Add(time.Duration(n) * time.Minute)
			st := j.Next(now)
			s := j.State()
			switch {
			case st.Action == ActFit && (s.Running || !has(st.Cautions, cautionsFit...)),
				(st.Action == ActRepair || st.Action == ActInspect) && (s.Running || !has(st.Cautions, near...)) && st.Item != ItemCautions,
				st.Action == ActLook && len(st.Cautions) == 0,
				st.Action == ActStop && !has(st.Cautions, near...),
				st.Action == ActStart && (s.Running || !has(st.Cautions, cautionsStart...)),
				st.Action == ActMeasure && (!s.Running || !has(st.Cautions, cautionsRun...)):
				t.Fatalf("seed %d: unsafe step %+v", seed, st)
			}
			e := offered(st, rng)
			if rng.IntN(4) == 0 {
				e = anyEvent(s, rng)
			}
			e.At = now
			if _, err := j.Append(context.Background(), e); err != nil && errors.Is(err, context.Canceled) {
				t.Fatal(err)
			}
			if events, _ := j.Events(context.Background()); !reflect.DeepEqual(fold(events), j.State()) {
				t.Fatalf("seed %d: the grown state is not the fold of the events", seed)
			}
		}
	}
}

// New2 is New for a log in memory.
func New2(t *testing.T, m memory) *Job {
	j, err := New(&m)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// memory is a Log without a disk.
type memory struct{ events []Event }

func (m *memory) Load() ([]Event, string, error) { return m.events, "", nil }
func (m *memory) Append(e Event) error           { m.events = append(m.events, e); return nil }
func (m *memory) Close() error                   { return nil }

// offered does what the step says.
func offered(st Step, rng *rand.Rand) Event {
	v := func() complex128 { return cmplx.Rect(6e-3*rng.Float64(), 6*rng.Float64()) }
	switch st.Action {
	case ActDescribe:
		u := fan()
		u.StartsPerHour = rng.IntN(3) * 10
		return Event{Kind: KindSetup, Setup: u}
	case ActLook, ActRepair:
		return Event{Kind: KindLook, Look: &Look{st.Item, true}}
	case ActStart:
		return Event{Kind: KindStarted}
	case ActMeasure:
		return Event{Kind: KindMeasured, Reading: reading(v(), v())}
	case ActStop:
		return Event{Kind: KindStopped}
	case ActFit:
		e := Event{Kind: KindFitted, Purpose: st.Purpose, Plane: st.Plane}
		if st.Purpose != PurposeBare {
			e.Weights = []rotor.Weight{weight("front", 50*rng.Float64(), 360*rng.Float64())}
		}
		return e
	case ActInspect:
		return Event{Kind: KindSkipped, Step: st.Skip, Note: "nothing found"}
	}
	return Event{Kind: KindClosed, Note: "done"}
}

// anyEvent is an event of any kind, sensible or not.
func anyEvent(s State, rng *rand.Rand) Event {
	kinds := []Kind{KindStarted, KindStopped, KindAborted, KindFitted, KindMeasured, KindSkipped, KindUndone, KindRedone, KindAmended, KindReopened, KindNoted, KindLook}
	return Event{Kind: kinds[rng.IntN(len(kinds))], Target: 1 + rng.IntN(s.Events+1), Note: "why not", Step: s.Next(s.At).Skip,
		Purpose: []string{PurposeTrial, PurposeTrim, PurposeBare}[rng.IntN(3)], Plane: "front", Level: 0.03,
		Look: &Look{LookItems[rng.IntN(len(LookItems))].Code, rng.IntN(2) == 0}, Reading: reading(6e-3, 1e-3)}
}

// The points of the look that one standstill answers end at the survey, where
// something has to be measured, and at what is not in order.
func TestLookAhead(t *testing.T) {
	s := newScript(t, filepath.Join(t.TempDir(), "job.jsonl"))
	s.do(Event{Kind: KindSetup, Setup: fan()})
	want := func(codes ...string) {
		t.Helper()
		var got []string
		for _, it := range s.j.State().LookAhead() {
			got = append(got, it.Code)
		}
		if strings.Join(got, " ") != strings.Join(codes, " ") {
			t.Errorf("ahead are %v, want %v", got, codes)
		}
	}
	want(ItemCautions)
	s.do(Event{Kind: KindLook, Look: &Look{ItemCautions, true}})
	want("clean", "dry", ItemCracks, "tight")
	s.do(Event{Kind: KindLook, Look: &Look{ItemCracks, false}, Note: "a crack at blade 3"})
	want("clean", "dry")
	s.do(Event{Kind: KindLook, Look: &Look{ItemCracks, true}})
	for _, code := range []string{"clean", "dry", "tight"} {
		s.do(Event{Kind: KindLook, Look: &Look{code, true}})
	}
	want()
	s.do(Event{Kind: KindLook, Look: &Look{ItemSurvey, true}})
	want("mark", "blade-1", "sensors")
}
