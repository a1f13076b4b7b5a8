package web

import (
	"fmt"
	"math/cmplx"
	"net/http"
	"strings"

	"counterpoise/internal/job"
	"counterpoise/internal/phase"
	"counterpoise/internal/picture"
	"counterpoise/internal/rotor"
)

// jobPolar is the way of the 1x vectors since the job began, reading by reading;
// false while there is no reading.
func jobPolar(s job.State, v View) (p picture.Polar, ok bool) {
	if s.Setup == nil || len(s.Runs) == 0 {
		return p, false
	}
	sc := v.velocity()
	f, raw := sc.factor(), allRaw(s.Setup.Sensors)
	p = picture.Polar{Unit: sc.Label(), Mark: say("vectors.mark"), Against: s.Setup.Convention == rotor.AgainstRotation}
	if raw {
		f, p.Unit = 1, "raw peak"
	}
	var told []string
	tolerances := s.Tolerances()
	for i, sen := range s.Setup.Sensors {
		if sen.Raw != raw { // another unit has no place on the same rings
			continue
		}
		x := picture.Vector{Name: sen.Name, Limit: tolerances[i] * f}
		var newest phase.Component
		for n, r := range s.Runs {
			c, ok := componentOf(r.Reading, sen)
			if !ok || cmplx.IsNaN(c.Value) {
				continue
			}
			c.Value *= complex(f, 0)
			c.Cov = c.Cov.Scale(f * f)
			newest = c
			x.Path = append(x.Path, c.Value)
			x.Stops = append(x.Stops, picture.Stop{Label: fmt.Sprint(n + 1), At: c.Value})
		}
		if len(x.Path) == 0 {
			continue
		}
		x.At = newest.Value
		if major, minor, turn := newest.Region95(); finite(major) {
			x.Major, x.Minor, x.Turn = major, minor, turn
		}
		p.Vectors = append(p.Vectors, x)
		amp, deg := amountsOf(newest, p.Unit, View{Convention: s.Setup.Convention})
		told = append(told, fmt.Sprintf("%s: %s %s, %s°", sen.Name, both(amp), p.Unit, both(deg)))
	}
	p.Title = say("job.polar")
	p.About = fmt.Sprintf(say("job.polar.about"), len(s.Runs), strings.Join(told, "; "))
	return p, len(p.Vectors) > 0
}

func allRaw(list []job.Sensor) bool {
	for _, s := range list {
		if !s.Raw {
			return false
		}
	}
	return true
}

// PolarAbout is the text beside the polar picture of the job; empty where there
// is no picture yet.
func (p jobView) PolarAbout() string { return p.polar.About }

func (s *Server) jobPolarPicture(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	p, ok := jobPolar(b.job.State(), v)
	if !ok {
		s.fail(w, r, http.StatusNotFound, say("job.polar.none"))
		return
	}
	s.draw(w, r, p)
}
