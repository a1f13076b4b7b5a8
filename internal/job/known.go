package job

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/detective"
	"counterpoise/internal/rotor"
)

// Known is how the sensors answer to weights as earlier jobs of the same set-up
// found it. It belongs to the setup event, so that a job says the same whenever
// it is read again.
type Known struct {
	Jobs      int            `json:"jobs"`
	Speed     float64        `json:"speed"`     // rad/s
	Influence [][][2]float64 `json:"influence"` // [sensor][plane], real and imaginary part, peak per kg at the plane's radius, m/s or raw as the sensor is
	SD        [][]float64    `json:"sd"`        // its scatter from job to job: sqrt E|a - mean|^2
}

// NewKnown is what a prior tells a job.
func NewKnown(p balance.Prior) *Known {
	k := &Known{Jobs: p.Jobs, Speed: p.Print.Speed, SD: p.SD}
	for _, row := range p.Mean {
		var out [][2]float64
		for _, v := range row {
			out = append(out, [2]float64{real(v), imag(v)})
		}
		k.Influence = append(k.Influence, out)
	}
	return k
}

func (k *Known) at(sensor, plane int) complex128 {
	v := k.Influence[sensor][plane]
	return complex(v[0], v[1])
}

func (k *Known) check(u Setup) error {
	if k == nil {
		return nil
	}
	bad := len(k.Influence) != len(u.Sensors) || len(k.SD) != len(u.Sensors) || k.Jobs < 1 || !(k.Speed > 0)
	for i := 0; i < len(u.Sensors) && !bad; i++ {
		bad = len(k.Influence[i]) != len(u.Planes) || len(k.SD[i]) != len(u.Planes)
		for p := 0; p < len(u.Planes) && !bad; p++ {
			bad = !(cmplx.Abs(k.at(i, p)) < math.Inf(1)) || !(k.SD[i][p] > 0)
		}
	}
	if bad {
		return fmt.Errorf("what earlier jobs found is not one number with its scatter for each of %d sensors and %d planes: begin the job without it", len(u.Sensors), len(u.Planes))
	}
	return nil
}

// Print is what must be the same before coefficients of another job at this
// speed (rad/s) may be believed; ok is false where the set-up does not say
// enough to keep two machines apart.
func (u *Setup) Print(speed float64) (f balance.FingerPrint, ok bool) {
	m := u.Machine
	f = balance.FingerPrint{Machine: fmt.Sprintf("%s, %.4g kg, %d blades", m.Name, m.Mass, m.Blades), Speed: speed, Board: u.Fingerprint,
		Tach: fmt.Sprintf("blade 1 at %.3g rad from the mark", m.Blade1)}
	for _, s := range u.Sensors {
		f.Sensors = append(f.Sensors, s.Name+" "+s.Direction)
	}
	ok = m.Name != "" && f.Board != "" && speed > 0 && len(u.Sensors) > 0 && len(u.Planes) > 0
	for _, p := range u.Planes {
		f.Radii = append(f.Radii, p.Radius)
		ok = ok && p.Radius > 0
	}
	return f, ok
}

// Learnt is how the sensors answer to weights as this closed job found it, with
// what must be the same before it may be believed again. Influence is
// [sensor][plane] in peak phasors per kg; ok is false while the job is open or
// lacks a plane or a sensor, where it ran at several speeds, and where its runs
// contradict each other: a slip of hand must not be handed on.
func (s State) Learnt() (f balance.FingerPrint, a balance.Answer, ok bool) {
	if s.Setup == nil || !s.Closed || len(s.Runs) < 2 {
		return f, a, false
	}
	c := s.Case()
	if len(usedPlanes(c)) < len(c.Planes) {
		return f, a, false
	}
	speed := 0.0
	for _, r := range c.Runs {
		speed += r.Speed / float64(len(c.Runs))
	}
	for _, r := range c.Runs {
		if !balance.SameSpeed(r.Speed, speed) {
			return f, a, false
		}
	}
	if f, ok = s.Setup.Print(speed); !ok {
		return f, a, false
	}
	a, err := balance.Solve(c, balance.Options{})
	if err != nil || len(a.Influence) != len(c.Sensors) {
		return f, a, false
	}
	for i, row := range a.Influence {
		if a.Rows[i].Sensor != i || slices.ContainsFunc(row, func(v complex128) bool { return !(cmplx.Abs(v) > 0) || cmplx.IsInf(v) }) {
			return f, a, false
		}
	}
	report := detective.Inspect(c)
	return f, a, !report.Alarm && s.disagree(Advice{Answer: &a}) == ""
}

// Agrees tells whether what another job found may be put together with this: no
// coefficient is further away than three times what the errors of both explain.
func (k *Known) Agrees(a balance.Answer) bool {
	planes := make([]int, len(k.Influence[0]))
	for p := range planes {
		planes[p] = p
	}
	far, _, _ := k.farthest(a, planes)
	return far <= agrees
}

// agrees is how far apart, in standard deviations of both, two findings of one
// coefficient may be.
const agrees = 3

// farthest is the coefficient of an answer that is furthest from what is known,
// in standard deviations of both. planes says which plane of the set-up each
// column of the answer is.
func (k *Known) farthest(a balance.Answer, planes []int) (far float64, row, column int) {
	for i, influence := range a.Influence {
		for p, v := range influence {
			s, q := a.Rows[i].Sensor, planes[p]
			sd := k.SD[s][q]
			if a.InfluenceCov != nil {
				sd = math.Hypot(sd, math.Sqrt(2*a.InfluenceCov[i][p].PerAxis()))
			}
			if d := cmplx.Abs(v-k.at(s, q)) / sd; d > far {
				far, row, column = d, i, p
			}
		}
	}
	return far, row, column
}

// wellKnown tells whether earlier jobs agree so well on one coefficient that its
// size, and with it its phase to 30 degrees, may be used.
func (k *Known) wellKnown(sensor, plane int) bool {
	return k.SD[sensor][plane] < 0.5*cmplx.Abs(k.at(sensor, plane))
}

// known tells a trial how the sensors answer, where earlier jobs found it at
// this speed (rad/s), agree well enough, and are not contradicted by the weights
// that this job has tried. bare says whether q.AsFound is what the sensors show
// without the trial; else the effect is used for its size alone.
func (s State) known(q *balance.TrialQuestion, plane int, speed float64, bare bool) (text string) {
	k := s.Setup.Known
	if k == nil || !balance.SameSpeed(k.Speed, speed) || len(q.AsFound) != len(k.Influence) {
		return ""
	}
	if text := s.contradicted(); text != "" {
		return "What earlier jobs found is not used for this trial. " + text
	}
	alpha, some := make([]complex128, len(k.Influence)), false
	var pull complex128 // by which the weight lowers the sum of squares, and the variance of that
	doubt := 0.0
	for i, v := range q.AsFound {
		sd := k.SD[i][plane]
		if k.wellKnown(i, plane) {
			alpha[i], some = k.at(i, plane), true
			pull += cmplx.Conj(alpha[i]) * v
		} else {
			sd = math.Hypot(sd, cmplx.Abs(k.at(i, plane)))
		}
		doubt += sd * sd * real(v*cmplx.Conj(v))
	}
	if !some {
		return ""
	}
	q.Alpha, q.Phase = alpha, bare && cmplx.Abs(pull) > 2*math.Sqrt(doubt)
	who := "An earlier job of this set-up"
	if k.Jobs > 1 {
		who = fmt.Sprintf("%d earlier jobs of this set-up", k.Jobs)
	}
	text = who + " found how the sensors answer to a weight; this trial is sized by it"
	if q.Phase {
		text += " and stands where it should lower the vibration"
	}
	return text + ". Nothing here can see whether a sensor, the mark or the tach was moved since. If one was, the vibration may rise with this weight: be ready to stop, and the trial then shows how the sensors answer now."
}

// contradicted compares the weights that this job has tried with what was known
// before it; empty = nothing was tried yet, or it agrees.
func (s State) contradicted() string {
	c := s.Case()
	c.Planes = usedPlanes(c)
	if len(c.Planes) == 0 {
		return ""
	}
	a, err := balance.Solve(c, balance.Options{})
	if err != nil {
		return ""
	}
	return s.changed(a, c.Planes)
}

// changed says which sensor answers otherwise than earlier jobs found, by more
// than both their errors explain; empty = none. planes are those of the answer.
func (s State) changed(a balance.Answer, planes []rotor.Plane) string {
	k := s.Setup.Known
	if k == nil || a.InfluenceCov == nil || len(a.Rows) > 0 && !balance.SameSpeed(k.Speed, a.Rows[0].Speed) {
		return ""
	}
	var at []int
	for _, p := range planes {
		at = append(at, s.Setup.plane(p.Name))
	}
	far, i, p := k.farthest(a, at)
	if far <= agrees {
		return ""
	}
	v, was := a.Influence[i][p], k.at(a.Rows[i].Sensor, at[p])
	return fmt.Sprintf("Sensor %s answers to a weight in plane %s with %.0f %% of what was found before, turned by %.0f degrees, which is %.1f times what the errors of both explain: look whether a sensor, the mark or the machine has changed.",
		s.Setup.Sensors[a.Rows[i].Sensor].Name, planes[p].Name, 100*cmplx.Abs(v)/cmplx.Abs(was), math.Abs(cmplx.Phase(v/was))*180/math.Pi, far)
}

// beforeTrial is what the sensors showed with what stays on the rotor during
// a trial, from the newest run that had just that; ok is false where none had,
// and then the newest run stands for it.
func (s State) beforeTrial(c balance.Case) (run balance.Run, ok bool) {
	var stays []rotor.Weight
	if s.Setup.TrialStays {
		stays = s.Fit.Weights
	}
	for i := len(s.Runs) - 1; i >= 0; i-- {
		r := s.Runs[i]
		if on := r.Fit.Weights; r.Shape == s.Shape && (slices.Equal(on, stays) || !weighty(on) && !weighty(stays)) {
			return c.Runs[i], true
		}
	}
	return c.Runs[len(c.Runs)-1], false
}
