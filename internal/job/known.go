package job

import (
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/balance"
)

// Known is how the sensors answer to weights as earlier jobs of the same set-up
// found it. It belongs to the setup event, so that a job says the same whenever
// it is read again.
type Known struct {
	Jobs      int            `json:"jobs"`
	Speed     float64        `json:"speed"`     // rad/s
	Influence [][][2]float64 `json:"influence"` // [sensor][plane], real and imaginary part, m/s peak per kg at the plane's radius
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
	f = balance.FingerPrint{Machine: u.Machine.Name, Speed: speed, Board: u.Fingerprint,
		Tach: fmt.Sprintf("blade 1 at %.3g rad from the mark", u.Machine.Blade1)}
	for _, s := range u.Sensors {
		f.Sensors = append(f.Sensors, s.Name+" "+s.Direction)
	}
	ok = f.Machine != "" && f.Board != "" && speed > 0 && len(u.Sensors) > 0 && len(u.Planes) > 0
	for _, p := range u.Planes {
		f.Radii = append(f.Radii, p.Radius)
		ok = ok && p.Radius > 0
	}
	return f, ok
}

// Learnt is how the sensors answer to weights as this job found it, with what
// must be the same before it may be believed again. Influence is [sensor][plane]
// in peak phasors per kg; ok is false while a plane or a sensor is not known.
func (s State) Learnt() (f balance.FingerPrint, a balance.Answer, ok bool) {
	if s.Setup == nil || len(s.Runs) < 2 {
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
	if f, ok = s.Setup.Print(speed); !ok {
		return f, a, false
	}
	a, err := balance.Solve(c, balance.Options{})
	return f, a, err == nil && len(a.Influence) == len(c.Sensors)
}

// known tells a trial how the sensors answer, where earlier jobs found it at
// this speed and agree well enough to know the phase.
func (s State) known(q *balance.TrialQuestion, plane int, speed float64) (text string) {
	k := s.Setup.Known
	if k == nil || !(math.Abs(k.Speed-speed) <= 0.02*speed) || len(q.AsFound) != len(k.Influence) {
		return ""
	}
	q.Phase = true
	for i := range k.Influence {
		a := k.at(i, plane)
		q.Alpha = append(q.Alpha, a)
		q.Phase = q.Phase && k.SD[i][plane] < 0.5*cmplx.Abs(a)
	}
	who := "An earlier job"
	if k.Jobs > 1 {
		who = fmt.Sprintf("%d earlier jobs", k.Jobs)
	}
	return who + " on this machine, with the same sensors, mark and board, found how the sensors answer; the trial weight is sized by it. If a sensor or the mark was moved since, the trial shows it."
}

// changed says which sensor answers otherwise than earlier jobs found, by more
// than both their errors explain; empty = none.
func (s State) changed(a balance.Answer) string {
	k := s.Setup.Known
	if k == nil || len(a.Influence) != len(k.Influence) || a.InfluenceCov == nil {
		return ""
	}
	worst, text := 3.0, ""
	for i, row := range a.Influence {
		if len(row) != len(k.Influence[i]) {
			return ""
		}
		for p, v := range row {
			was := k.at(i, p)
			sd := math.Hypot(k.SD[i][p], math.Sqrt(2*a.InfluenceCov[i][p].PerAxis()))
			if far := cmplx.Abs(v-was) / sd; far > worst {
				worst = far
				text = fmt.Sprintf("Sensor %s answers to a weight in plane %s with %.0f %% of what was found before, turned by %.0f degrees, which is %.1f times what the errors of both explain: look whether a sensor, the mark or the machine has changed.",
					s.Setup.Sensors[i].Name, s.Setup.Planes[p].Name, 100*cmplx.Abs(v)/cmplx.Abs(was), math.Abs(cmplx.Phase(v/was))*180/math.Pi, far)
			}
		}
	}
	return text
}
