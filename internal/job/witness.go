package job

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"counterpoise/internal/balance"
	"counterpoise/internal/blades"
	"counterpoise/internal/blades/surveyfile"
	"counterpoise/internal/rotor"
)

// Witness is what the runs of the job say about its blades.
type Witness struct {
	Evidence blades.Evidence // without the survey
	Answers  []blades.Answer // of each sensor to couple and static unbalance; nil = not known yet
	Now      []complex128    // peak phasor of each sensor as the blades stand, NaN = none; nil = not read
}

// errFewPlanes is why a job cannot say yet how its sensors answer to a couple.
var errFewPlanes = errors.New("it takes a trial in each of two planes at different places along the shaft to know how the sensors answer to a couple")

// Witness judges the rotor as its blades stood after the straightening of event
// shape (0 = as found). fanZ (m, from the same origin as the planes) is the
// plane of the blades. What cannot be known yet is left out.
func (s State) Witness(shape int, fanZ float64) Witness {
	var w Witness
	if s.Setup == nil || len(s.Runs) == 0 {
		return w
	}
	c := s.shapeCase(shape)
	tol := s.Tolerances()
	for i := range c.Sensors {
		c.Sensors[i].Tolerance = tol[i]
	}
	u, d := s.said()
	w.Evidence.Sensors, w.Evidence.Unit, w.Evidence.PerUnit = len(c.Sensors), fmt.Sprintf("%s %s", u.Name, d), d.OfPeak()*u.PerSI
	at := slices.IndexFunc(c.Runs, func(r balance.Run) bool { return r.State == shapeName(shape) })
	if at >= 0 {
		w.Now = s.vectorsNow(c)
		w.Evidence.Axial, w.Evidence.Radial = s.axialRadial(w.Now)
	}
	c.Planes = usedPlanes(c)
	if len(c.Planes) == 0 {
		return w
	}
	for i := range c.Planes { // what the rotor carries knows no cap and no places
		p := &c.Planes[i]
		p.Cap, p.MaxForce, p.Positions, p.Masses = 0, 0, nil, nil
	}
	if at >= 0 {
		s.onePlaneEvidence(&w.Evidence, c)
	}
	s.twoPlaneEvidence(&w, c, fanZ, at >= 0)
	w.Evidence.Comparisons = s.comparisons(w)
	return w
}

// Cause weighs the newest kept survey against the runs.
func (s State) Cause() (blades.Judgement, error) {
	if s.Surveyed == nil {
		return blades.Judgement{}, errors.New("the job has no blade survey")
	}
	f, r, err := Event{Survey: s.Surveyed.sheet}.survey()
	if err != nil {
		return blades.Judgement{}, err
	}
	w := s.Witness(s.Surveyed.Shape, f.FanZMM*1e-3)
	w.Evidence.Survey = r
	return blades.MassOrGeometry(w.Evidence), nil
}

// shapeCase is the case with the runs of one shape of the blades last, which is
// what the solver then judges.
func (s State) shapeCase(shape int) balance.Case {
	c := s.Case()
	name := shapeName(shape)
	slices.SortStableFunc(c.Runs, func(a, b balance.Run) int {
		x, y := a.State == name, b.State == name
		switch {
		case x == y:
			return 0
		case y:
			return -1
		}
		return 1
	})
	return c
}

// vectorsNow is the newest reading of the last shape in a case.
func (s State) vectorsNow(c balance.Case) []complex128 {
	out := make([]complex128, len(c.Sensors))
	for i, v := range c.Runs[len(c.Runs)-1].Vectors {
		out[i] = v.V
		if v.Missing {
			out[i] = cmplx.NaN()
		}
	}
	return out
}

// axialRadial are the largest levels of the axial and of the radial sensors,
// which are told by the word "axial" in direction or name, or a name ending in -A.
func (s State) axialRadial(v []complex128) (axial, radial float64) {
	for i, sen := range s.Setup.Sensors {
		if sen.Raw || cmplx.IsNaN(v[i]) {
			continue
		}
		if word := strings.ToLower(sen.Direction + " " + sen.Name); strings.Contains(word, "axial") || strings.HasSuffix(word, "-a") {
			axial = max(axial, cmplx.Abs(v[i]))
		} else {
			radial = max(radial, cmplx.Abs(v[i]))
		}
	}
	return axial, radial
}

// onePlaneEvidence asks how far one plane alone would come: the best of those
// that can be judged.
func (s State) onePlaneEvidence(e *blades.Evidence, c balance.Case) {
	for _, p := range c.Planes {
		call, err := balance.OnePlane(c, p.Name, balance.Options{})
		if err != nil {
			continue
		}
		if e.OnePlane == 0 || call.Best < e.OnePlane {
			e.OnePlane, e.OnePlaneP = call.Best, call.Enough
		}
	}
	if len(c.Planes) < 2 {
		return
	}
	a, err := balance.Solve(c, balance.Options{Method: balance.MinMax})
	if err != nil {
		return
	}
	for i, p := range a.Predicted {
		if t := c.Sensors[a.Rows[i].Sensor].Tolerance; t > 0 {
			e.TwoPlane = max(e.TwoPlane, cmplx.Abs(p.Residual)/t)
		}
	}
}

// twoPlaneEvidence is the couple that two planes measured, and how the sensors
// answer to one.
func (s State) twoPlaneEvidence(w *Witness, c balance.Case, fanZ float64, read bool) {
	if len(c.Planes) < 2 {
		return
	}
	a, err := balance.Solve(c, balance.Options{})
	if err != nil {
		return
	}
	influence, sd := make([][]complex128, len(c.Sensors)), make([][]float64, len(c.Sensors))
	for i := range c.Sensors { // a sensor without a usable reading answers nothing
		influence[i], sd[i] = make([]complex128, len(c.Planes)), make([]float64, len(c.Planes))
	}
	for i, row := range a.Influence {
		at := a.Rows[i].Sensor
		influence[at] = row
		for k := range row {
			if a.InfluenceCov != nil {
				sd[at][k] = math.Sqrt(a.InfluenceCov[i][k].PerAxis())
			}
		}
	}
	if w.Answers, err = blades.UncertainAnswers(c.Planes, influence, sd, fanZ); err != nil {
		w.Answers = nil
		return
	}
	if !read {
		return
	}
	e := &w.Evidence
	e.Couple, e.Static, e.CoupleCov, e.CoupleKnown = MeasuredCouple(c.Planes, a, fanZ)
	for i, k := range w.Answers {
		if t := c.Sensors[i].Tolerance; t > 0 && k.Couple != 0 {
			if l := t / cmplx.Abs(k.Couple); e.CoupleLimit == 0 || l < e.CoupleLimit {
				e.CoupleLimit = l
			}
		}
	}
}

// MeasuredCouple is what the rotor carries by a solution in two planes: couple
// (kg m^2) about fanZ with its covariance, and static unbalance (kg m). ok is
// false where the solution states no error, because then nothing can be called.
func MeasuredCouple(planes []rotor.Plane, a balance.Answer, fanZ float64) (couple, static complex128, cov rotor.Cov, ok bool) {
	correction := make([]complex128, len(planes))
	for i, c := range a.Corrections {
		correction[i] = c.Total
	}
	couple, static = blades.Carried(planes, correction, fanZ)
	variance := 0.0
	for _, d := range a.Directions {
		if d.Error == nil { // the solver had to draw: its intervals say it
			variance, ok = intervalVariance(planes, a, fanZ)
			return couple, static, rotor.Isotropic(variance), ok
		}
		c, _ := blades.Carried(planes, d.Mix, fanZ)
		variance += math.Pow(cmplx.Abs(c)**d.Error/2.448, 2)
	}
	return couple, static, rotor.Isotropic(variance), len(a.Directions) > 0
}

func intervalVariance(planes []rotor.Plane, a balance.Answer, fanZ float64) (variance float64, ok bool) {
	for i, c := range a.Corrections {
		if c.Mass == nil || c.Angle == nil {
			return 0, false
		}
		sd := max(c.Mass.Hi-c.Mass.Lo, cmplx.Abs(c.Total)*(c.Angle.Hi-c.Angle.Lo)) / 3.92
		one := make([]complex128, len(planes))
		one[i] = complex(sd, 0)
		couple, _ := blades.Carried(planes, one, fanZ)
		variance += real(couple)*real(couple) + imag(couple)*imag(couple)
	}
	return variance, true
}

// comparisons set the last reading before the newest straightening beside the
// first one after it, where nothing else was changed between them.
func (s State) comparisons(w Witness) (out []blades.Comparison) {
	n := len(s.Straightened)
	if n == 0 {
		return nil
	}
	before, after := s.around(s.firstSinceReading())
	if before == nil || after == nil {
		return nil
	}
	x, y := s.Setup.run(*before), s.Setup.run(*after)
	told := s.foretold(w)
	repeat := max(s.Setup.Errors.Repeat, s.Repeatability())
	for i := range x.Vectors {
		a, b := x.Vectors[i], y.Vectors[i]
		if a.Missing || b.Missing {
			continue
		}
		again := rotor.Isotropic(math.Pow(repeat, 2) * (real(a.V*cmplx.Conj(a.V)) + real(b.V*cmplx.Conj(b.V))) / 2)
		c := blades.Comparison{Sensor: s.Setup.Sensors[i].Name, Before: a.V, After: b.V, BeforeCov: a.Cov.Add(again), AfterCov: b.Cov.Add(again)}
		if told != nil {
			c.Predicted = told[i]
		}
		out = append(out, c)
	}
	return out
}

// firstSinceReading is the index of the first of the straightenings between
// which no reading lies, up to the newest.
func (s State) firstSinceReading() int {
	k := len(s.Straightened) - 1
	for k > 0 {
		between := slices.ContainsFunc(s.Runs, func(r Run) bool {
			return r.Event > s.Straightened[k-1].Event && r.Event < s.Straightened[k].Event
		})
		if between {
			break
		}
		k--
	}
	return k
}

// around are the first reading after the straightenings from k on, and the
// newest before them with the same weights; nil = there is none.
func (s State) around(k int) (before, after *Run) {
	from, to := s.Straightened[k].Event, s.Straightened[len(s.Straightened)-1].Event
	at := slices.IndexFunc(s.Runs, func(r Run) bool { return r.Event > to })
	if at < 0 {
		return nil, nil
	}
	after = &s.Runs[at]
	for i := range s.Runs {
		if r := &s.Runs[i]; r.Event < from && sameWeights(r.Fit.Weights, after.Fit.Weights) {
			before = r
		}
	}
	return before, after
}

func sameWeights(a, b []rotor.Weight) bool {
	return slices.Equal(a, b) || !weighty(a) && !weighty(b)
}

// foretold is what the straightenings since the last reading before should have
// changed at each sensor, by the survey that they followed; nil = not known.
func (s State) foretold(w Witness) []blades.Change {
	k := s.firstSinceReading()
	by := s.Straightened[k].By
	if by == nil || w.Answers == nil {
		return nil
	}
	_, r, err := Event{Survey: by.sheet}.survey()
	if err != nil {
		return nil
	}
	track, pitch := make([]float64, r.Survey.Blades), make([]float64, r.Survey.Blades)
	for _, st := range s.Straightened[k:] {
		for _, m := range st.Moves {
			if m.Blade > len(track) {
				return nil
			}
			track[m.Blade-1] += m.Track
			pitch[m.Blade-1] += m.Pitch
		}
	}
	if !r.Geometry.Track.Given {
		track = nil
	}
	if !r.Geometry.Pitch.Given {
		pitch = nil
	}
	return r.Survey.Moving(r.Geometry, track, pitch).Predict(w.Answers)
}

// Beside hands what the job knows to the room of surveys, in the unit of the
// state's sentences (mm/s rms where nobody was told otherwise). Where the answer
// to a couple is not known yet, why says what it takes.
func (w Witness) Beside(u *Setup) (b surveyfile.Beside, why error) {
	b.Evidence = w.Evidence
	for _, sen := range u.Sensors {
		b.Sensors = append(b.Sensors, sen.Name)
	}
	if w.Answers == nil {
		return b, errFewPlanes
	}
	f := w.Evidence.PerUnit
	for i, a := range w.Answers {
		b.Answers = append(b.Answers, a.Times(f))
		if w.Now != nil {
			b.Now = append(b.Now, w.Now[i]*complex(f, 0))
		}
	}
	return b, nil
}
