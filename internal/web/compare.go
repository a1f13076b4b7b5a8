package web

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"net/http"
	"strconv"

	"counterpoise/internal/job"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Comparison is two readings of a job and their difference, sensor by sensor.
type Comparison struct {
	Schema  int          `json:"schema"`
	A       int          `json:"a"` // events of the readings
	B       int          `json:"b"`
	NameA   string       `json:"name_a"`
	NameB   string       `json:"name_b"`
	Sensors []Difference `json:"sensors"`
}

// Difference is b - a of one sensor at 1x. Amount and phase are those of the
// difference vector; it is surely a change where its 95 % region leaves out zero.
type Difference struct {
	Sensor  string `json:"sensor"`
	A       Amount `json:"a"`
	PhaseA  Amount `json:"phase_a"`
	B       Amount `json:"b"`
	PhaseB  Amount `json:"phase_b"`
	Change  Amount `json:"change"`
	Phase   Amount `json:"change_phase"`
	Changed bool   `json:"changed"`
}

// compare sets two readings of a job against each other. The difference
// carries the covariances of both, and the scatter from run-up to run-up.
func compare(s job.State, a, b int, v View) (Comparison, error) {
	out := Comparison{Schema: 1, A: a, B: b}
	var runs [2]job.Run
	for i, n := range []int{a, b} {
		found := false
		for _, r := range s.Runs {
			if r.Event == n {
				runs[i], found = r, true
			}
		}
		if !found {
			return out, fmt.Errorf(say("compare.none"), n)
		}
	}
	out.NameA, out.NameB = runs[0].Name, runs[1].Name
	repeat := 0.0
	if runs[0].Begun != runs[1].Begun {
		repeat = math.Max(s.Setup.Errors.Repeat, s.Repeatability())
	}
	for _, sen := range s.Setup.Sensors {
		x, okX := componentOf(runs[0].Reading, sen)
		y, okY := componentOf(runs[1].Reading, sen)
		if !okX || !okY {
			continue
		}
		sc := v.velocity()
		f, unit := sc.factor(), sc.Label()
		if sen.Raw {
			f, unit = 1, "raw peak"
		}
		d := y.Value - x.Value
		size := math.Hypot(cmplx.Abs(x.Value), cmplx.Abs(y.Value)) * repeat
		r := region(x.Cov.Add(y.Cov).Add(rotor.Isotropic(size * size)))
		line := Difference{Sensor: sen.Name, Changed: cmplx.Abs(d) > r}
		write := func(z complex128, r float64) (Amount, Amount) {
			_, deg := s.Setup.Convention.Polar(z)
			return measured(cmplx.Abs(z)*f, r*f, unit), phaseAmount(deg, r, cmplx.Abs(z))
		}
		line.A, line.PhaseA = write(x.Value, region(x.Cov))
		line.B, line.PhaseB = write(y.Value, region(y.Cov))
		line.Change, line.Phase = write(d, r)
		out.Sensors = append(out.Sensors, line)
	}
	return out, nil
}

// region is the 95 % radius of a vector whose covariance is known: the larger
// axis times sqrt(-2 ln 0.05) (two-dimensional normal distribution).
func region(c rotor.Cov) float64 {
	major, _, _ := c.Principal()
	return math.Sqrt(-2*math.Log(0.05)) * major
}

func componentOf(r *phase.Reading, sen job.Sensor) (phase.Component, bool) {
	q := rotor.Velocity
	if sen.Raw {
		q = rotor.Raw
	}
	for i, c := range r.Channels {
		if c.Name == sen.Name {
			return r.In(i, 1, q)
		}
	}
	return phase.Component{}, false
}

type compareView struct {
	frame
	Job jobView
	Comparison
	Wrong string
}

func (s *Server) compared(r *http.Request, b *bench, v View) (Comparison, error) {
	st := b.job.State()
	if len(st.Runs) < 2 {
		return Comparison{}, errors.New(say("compare.few"))
	}
	a, _ := strconv.Atoi(r.URL.Query().Get("a"))
	c, _ := strconv.Atoi(r.URL.Query().Get("b"))
	if a == 0 {
		a = st.Runs[0].Event
	}
	if c == 0 {
		c = st.Runs[len(st.Runs)-1].Event
	}
	return compare(st, a, c, v)
}

func (s *Server) comparePage(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	jv, err := s.jobView(r, b, v)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	p, code := compareView{frame: jv.frame, Job: jv}, http.StatusOK
	if p.Comparison, err = s.compared(r, b, v); err != nil {
		p.Wrong, code = err.Error(), http.StatusNotFound
	}
	s.render(w, code, "compare", p)
}

func (s *Server) compareAnswer(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	c, err := s.compared(r, b, v)
	if err != nil {
		s.fail(w, r, http.StatusNotFound, err.Error())
		return
	}
	writeJSON(w, http.StatusOK, c)
}
