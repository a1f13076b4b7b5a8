package web

import (
	"fmt"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// motorOf counts the starts of the last hour, which heat the motor, against what
// it allows. A rotor that was found running was not started.
func motorOf(s job.State, now time.Time) []Line {
	n := 0
	for _, at := range s.Starts {
		if now.Sub(at) < time.Hour {
			n++
		}
	}
	if limit := s.Setup.StartsPerHour; limit > 0 {
		return []Line{{say("job.motor"), fmt.Sprintf(say("job.motor.of"), n, limit)}}
	}
	if n == 0 {
		return []Line{}
	}
	return []Line{{say("job.motor"), fmt.Sprintf(say("job.motor.free"), n)}}
}

// abortOf is the level above which a run is broken off; nil where none is set.
func abortOf(s job.State, v View) *Amount {
	if !(s.Setup.Abort > 0) {
		return nil
	}
	sc := v.velocity()
	a := plain(s.Setup.Abort*sc.factor(), 3, sc.Label())
	return &a
}

// speedNow is the speed (rpm) at this moment of a rotor that is recorded as
// running; empty while it stands or nothing is known.
func (b *bench) speedNow(s job.State, snap *station.Snapshot) string {
	if !s.Running || snap == nil || snap.Motion != station.Turning || !(snap.Speed > 0) {
		return ""
	}
	return plain(rotor.RPM(snap.Speed), 4, "").Text
}

// levelNow is the highest 1x of any sensor at this moment, for the person at the
// stop button; empty while no level is watched or the rotor stands.
func (b *bench) levelNow(s job.State, snap *station.Snapshot, v View) string {
	if s.Setup == nil || !s.Running || !(s.Setup.Abort > 0) || snap == nil {
		return ""
	}
	return plain(snap.Level*v.velocity().factor(), 3, "").Text
}
