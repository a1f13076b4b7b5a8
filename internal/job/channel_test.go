package job

import (
	"path/filepath"
	"strings"
	"testing"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// A channel that the job does not use may be clipped or dead: the run counts. One
// of its own sensors may not. What the turns were brought to one speed with is
// stored and read back.
func TestABadChannelInAJob(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.jsonl")
	s := newScript(t, path)
	s.do(Event{Kind: KindSetup, Setup: fan()})
	s.look()
	spare := reading(1e-3, 2e-3)
	spare.Channels = append(spare.Channels, phase.ChannelReading{Name: "track", Refused: "64 of 64 revolutions held samples at the end of its converter's range"})
	normal := phase.Normal{Slope: phase.Slope{Speed: rotor.RadPerSecond(980), Rate: 3 - 0.5i, Error: 0.1}, Moved: 0.01, Doubt: 0.001, Less: 0.5}
	spare.Normal, spare.Channels[0].Orders[0].Normal = "brought to one speed", &normal
	s.run(spare)
	s.stop()
	own := reading(1e-3, 2e-3)
	own.Channels[1] = phase.ChannelReading{Name: "NDE-H", Refused: "it delivers a constant, which no sensor does"}
	s.run(own)
	st := s.j.State()
	if len(st.Runs) != 1 || len(st.Refused) != 1 || !strings.Contains(st.Refused[0].Why, "NDE-H gives no vector: it delivers a constant") {
		t.Fatalf("%d runs, refused %+v", len(st.Runs), st.Refused)
	}
	if err := s.j.Close(); err != nil {
		t.Fatal(err)
	}
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	r := j.State().Runs[0].Reading
	if r.Normal != spare.Normal || r.Channels[0].Orders[0].Normal == nil || *r.Channels[0].Orders[0].Normal != normal || r.Channels[2].Refused == "" {
		t.Errorf("read back %+v", r)
	}
}
