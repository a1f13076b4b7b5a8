package job

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/detective"
	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// Advice is what to fit in a step.
type Advice struct {
	Weights  []rotor.Weight // all that is on the rotor afterwards, relative to as found
	Expected []Expected     // per sensor; nil where nothing can be foretold, as for a trial
	Answer   *balance.Answer
	Suspect  *detective.Report // what the runs say about slips of hand; nil for a trial
	Verdicts []balance.Verdict
}

// Expected is what a sensor should show with the advised weights on.
type Expected struct {
	Sensor    string   `json:"sensor"`
	Amplitude float64  `json:"amplitude"`          // peak
	Radius95  *float64 `json:"radius95,omitempty"` // nil where no error was stated
}

// worthIt is the part of the present level that a correction must promise to
// stay under: less is not worth another start.
const worthIt = 0.9

// ErrNoGain is in the error of Advise where no weight can be expected to make
// the rotor better than it is.
var ErrNoGain = errors.New("no weights can be expected to make this rotor better")

// Advise works out the weights for a step of action fit. The error is one
// sentence; then there is nothing that may be fitted.
func (s State) Advise(st Step) (Advice, error) {
	if s.Setup == nil || st.Action != ActFit {
		return Advice{}, errors.New("weights are advised only where the next step is to fit some")
	}
	var a Advice
	var err error
	switch st.Purpose {
	case PurposeBare:
	case PurposeTrial:
		a, err = s.adviseTrial(st.Plane)
	default:
		a, err = s.adviseCorrection()
	}
	if err != nil {
		return Advice{}, err
	}
	if err := s.Setup.CheckForce(a.Weights); err != nil {
		return Advice{}, err
	}
	if text := s.overspeed(); text != "" {
		a.Verdicts = append(a.Verdicts, balance.Verdict{Code: "faster-than-stated", Text: text})
	}
	return a, nil
}

// overspeed says that the rotor was seen to run clearly faster than the speed
// that was stated; empty = it was not, or none was stated.
func (s State) overspeed() string {
	stated := s.stated
	if stated == 0 || s.Seen <= stated || balance.SameSpeed(s.Seen, stated) {
		return ""
	}
	return fmt.Sprintf("The rotor was measured at %.4g rpm, and the highest speed that is stated for it is %.4g rpm. Pull, caps and grade are worked out for the speed measured. If it may not run so fast, stop; if the figure is wrong, correct speed_rpm or max_speed_rpm of the station.",
		rotor.RPM(s.Seen), rotor.RPM(stated))
}

// adviseTrial asks package balance for one trial weight, tells it what an
// aborted trial has shown, and adds whether the trial is needed at all.
func (s State) adviseTrial(plane string) (Advice, error) {
	u := s.Setup
	i := u.plane(plane)
	if i < 0 {
		return Advice{}, fmt.Errorf("there is no plane %q in this job", plane)
	}
	q := balance.TrialQuestion{Machine: u.Machine, Plane: u.Planes[i]}
	if p := q.Plane; len(p.Positions) > 0 && len(without(p.Positions, func(q rotor.Position) bool { return q.Forbidden })) == 0 {
		return Advice{}, fmt.Errorf("every place of plane %q is forbidden: there is nowhere to put a weight", plane)
	}
	for _, a := range s.Aborts {
		if half := total(a.Fit.Weights, plane) / 2; a.Fit.Purpose == PurposeTrial && a.Fit.Plane == plane && (q.Plane.Cap == 0 || half < q.Plane.Cap) {
			q.Plane.Cap = half
		}
	}
	c := s.Case()
	speed, bare := u.Machine.Speed, false
	if len(c.Runs) > 0 {
		var before balance.Run
		before, bare = s.beforeTrial(c)
		speed = before.Speed
		for _, v := range before.Vectors {
			q.AsFound = append(q.AsFound, v.V)
			q.Sigma = append(q.Sigma, math.Sqrt(v.Cov.PerAxis()))
			q.Trip = append(q.Trip, u.Abort)
		}
	}
	from := s.known(&q, i, speed, bare)
	t, err := balance.AdviseTrial(q)
	if err != nil {
		return Advice{}, err
	}
	if t.Mass == 0 {
		return Advice{}, fmt.Errorf("no trial weight can be advised for plane %q. %s", plane, texts(t.Verdicts))
	}
	out := Advice{Verdicts: t.Verdicts}
	if from != "" {
		out.Verdicts = append(out.Verdicts, balance.Verdict{Code: "known-answer", Text: from})
	}
	if u.TrialStays {
		out.Weights = append(out.Weights, s.Fit.Weights...)
	}
	w := rotor.Weight{Plane: plane, Mass: t.Mass, Angle: t.Angle}
	for _, p := range q.Plane.Positions {
		if p.Number == t.Position {
			w.Radius = p.Radius
		}
	}
	out.Weights = append(out.Weights, w)
	if v, ok := s.onePlane(c); ok {
		out.Verdicts = append(out.Verdicts, v)
	}
	return out, nil
}

// onePlane is the verdict on whether the plane that had its trial is enough, so
// that the trial to come may be left out; ok is false where it cannot be judged.
func (s State) onePlane(c balance.Case) (v balance.Verdict, ok bool) {
	tol := s.Tolerances()
	for i := range c.Sensors {
		c.Sensors[i].Tolerance = tol[i]
	}
	used := usedPlanes(c)
	if len(used) != 1 {
		return v, false
	}
	call, err := balance.OnePlane(c, used[0].Name, balance.Options{})
	return call.Verdict, err == nil
}

func texts(vs []balance.Verdict) string {
	var out []string
	for _, v := range vs {
		out = append(out, v.Text)
	}
	return strings.Join(out, " ")
}

func total(ws []rotor.Weight, plane string) (m float64) {
	for _, w := range ws {
		if w.Plane == plane {
			m += w.Mass
		}
	}
	return m
}

// methods are those of the solver that are tried: what is best in expectation, which is
// careful where little is known, and what brings the worst sensor lowest. The
// answer is taken that promises the lower worst sensor, uncertainty included.
var methods = []balance.Method{balance.Ridge, balance.MinMax}

func (s State) adviseCorrection() (Advice, error) {
	c := s.Case()
	tol := s.Tolerances()
	for i := range c.Sensors {
		c.Sensors[i].Tolerance = tol[i]
	}
	c.Planes = usedPlanes(c)
	if len(c.Planes) == 0 {
		return Advice{}, errors.New("no plane has carried a weight yet, so nobody knows what a weight does: make a trial run first")
	}
	best, least := balance.Answer{}, math.Inf(1)
	var failed error
	for _, m := range methods {
		a, err := balance.Solve(c, balance.Options{Method: m})
		if err != nil {
			failed = err
			continue
		}
		if w := worstExpected(a, c.Sensors); w < least {
			best, least = a, w
		}
	}
	if math.IsInf(least, 1) {
		if failed == nil {
			failed = errors.New("no sensor gave a usable reading in the last run")
		}
		return Advice{}, failed
	}
	out := Advice{Answer: &best, Verdicts: best.Verdicts}
	if text := s.changed(best, c.Planes); text != "" {
		out.Verdicts = append(out.Verdicts, balance.Verdict{Code: "answer-changed", Text: text})
	}
	report := detective.Inspect(c)
	out.Suspect = &report
	if report.Alarm {
		out.Verdicts = append(out.Verdicts, balance.Verdict{Code: "slip-suspected", Text: suspicion(report)})
	}
	miss := make([]complex128, len(c.Planes)) // what the real places fall short of, kg
	for i, p := range c.Planes {
		ws, rest, notes, err := s.placed(p, best, i, c.Sensors)
		if err != nil {
			return Advice{}, err
		}
		out.Weights = append(out.Weights, ws...)
		out.Verdicts = append(out.Verdicts, notes...)
		miss[i] = rest
	}
	out.Weights = append(out.Weights, without(s.Fit.Weights, func(w rotor.Weight) bool {
		return planeIn(c.Planes, w.Plane)
	})...)
	now := s.worstNow(c)
	expected := 0.0
	for i, p := range best.Predicted {
		r := p.FurtherResidual
		for k, m := range miss {
			r += best.Influence[i][k] * m
		}
		e := Expected{Sensor: c.Sensors[best.Rows[i].Sensor].Name, Amplitude: cmplx.Abs(r), Radius95: p.FurtherRadius95}
		out.Expected = append(out.Expected, e)
		far := e.Amplitude
		if e.Radius95 != nil {
			far += *e.Radius95
		}
		expected = math.Max(expected, far/scale(c.Sensors[best.Rows[i].Sensor]))
	}
	if !(expected < worthIt*now) {
		return Advice{}, fmt.Errorf("%w: the best that the planes and places allow may leave the worst sensor at %s, its uncertainty included, and it shows %s now. %s",
			ErrNoGain, s.multiple(expected, c), s.multiple(now, c), reasons(best.Verdicts))
	}
	return out, nil
}

// disagree says in a sentence that the runs contradict each other by more than
// any weight could put right; empty = they do not. Speed, looseness, a moved
// sensor or a slip of hand do that, and weights must not chase them.
func (s State) disagree(adv Advice) string {
	a := adv.Answer
	if a == nil {
		return ""
	}
	limit, found := 0.0, 0.0
	for i, t := range s.Tolerances() {
		if limit == 0 || t > 0 && t < limit {
			limit = t
		}
		if v := s.Setup.run(s.Runs[0]).Vectors[i]; !v.Missing {
			found = math.Max(found, cmplx.Abs(v.V))
		}
	}
	if a.Misfit <= math.Max(limit, 0.1*found) {
		return ""
	}
	why := fmt.Sprintf("the runs contradict each other by %s on average, which no weight puts right: look for looseness, a moved sensor or mark, or a slip in a recorded weight, and repeat the run that looks odd.", s.level(a.Misfit))
	if adv.Suspect != nil && adv.Suspect.Alarm {
		why += " " + suspicion(*adv.Suspect)
	}
	return why
}

// suspicion is what the detective says, with the likeliest slip.
func suspicion(r detective.Report) string {
	if len(r.Findings) == 0 {
		return r.Text
	}
	f := r.Findings[0]
	return strings.TrimSpace(fmt.Sprintf("%s The likeliest slip: %s (odds %.0f %%). %s", r.Text, f.What, 100*f.Odds, f.Advice))
}

// multiple prints a worst sensor's value, compared as scale does.
func (s State) multiple(x float64, c balance.Case) string {
	for _, sen := range c.Sensors {
		if sen.Tolerance > 0 {
			return fmt.Sprintf("%.2g times its tolerance", x)
		}
	}
	return s.level(x)
}

// usedPlanes are those that ever carried a weight; a plane whose trial was left
// out takes no part.
func usedPlanes(c balance.Case) []rotor.Plane {
	return without(c.Planes, func(p rotor.Plane) bool {
		for _, r := range c.Runs {
			if total(r.Weights, p.Name) > 0 {
				return false
			}
		}
		return true
	})
}

func planeIn(ps []rotor.Plane, name string) bool {
	for _, p := range ps {
		if p.Name == name {
			return true
		}
	}
	return false
}

// scale is what a sensor's vectors are compared by.
func scale(s balance.Sensor) float64 {
	if s.Tolerance > 0 {
		return s.Tolerance
	}
	return 1
}

// worstExpected is the worst sensor's expected amplitude and 95 % radius over
// its tolerance.
func worstExpected(a balance.Answer, sensors []balance.Sensor) float64 {
	w := 0.0
	for i, p := range a.Predicted {
		v := cmplx.Abs(p.FurtherResidual)
		if p.FurtherRadius95 != nil {
			v += *p.FurtherRadius95
		}
		w = math.Max(w, v/scale(sensors[a.Rows[i].Sensor]))
	}
	return w
}

// worstNow is the worst sensor of the newest run over its tolerance; before any
// correction that of the rotor as found, since the trial weight comes off.
func (s State) worstNow(c balance.Case) float64 {
	at := len(c.Runs) - 1
	for at > 0 && s.Runs[at].Fit.Purpose == PurposeTrial {
		at--
	}
	return worst(c, at)
}

// worst is the worst sensor of a run over its tolerance.
func worst(c balance.Case, run int) (w float64) {
	for i, v := range c.Runs[run].Vectors {
		if !v.Missing {
			w = math.Max(w, cmplx.Abs(v.V)/scale(c.Sensors[i]))
		}
	}
	return w
}

// placed shares a plane's correction out to its real places. It keeps what is
// on the plane from an earlier correction and adds to it; where that would break
// the plane's cap everything comes off and is placed anew, and where even that
// does, less is asked for.
func (s State) placed(p rotor.Plane, a balance.Answer, i int, sensors []balance.Sensor) (ws []rotor.Weight, rest complex128, notes []balance.Verdict, err error) {
	var on []rotor.Weight
	if s.Fit.Purpose == PurposeCorrection || s.Fit.Purpose == PurposeTrim {
		on = without(s.Fit.Weights, func(w rotor.Weight) bool { return w.Plane != p.Name })
	}
	o := place.Options{MaxWeights: 6, Accept: accept(a, i, sensors), Speed: max(s.Setup.Machine.Speed, s.Setup.Machine.MaxSpeed), Work: placeWork}
	whole := a.Corrections[i].Further + phasor(s.Fit.Weights, p) // as a total
	asked := whole
	for try := range placeTries {
		o.Existing, on = existing(p, on)
		pl, err := place.Split(p, asked-phasor(on, p), o)
		if err != nil {
			return nil, 0, nil, err
		}
		ws, notes = onto(on, p, pl), notesOf(pl)
		if p.Cap <= 0 || total(ws, p.Name) <= p.Cap || try == placeTries-1 {
			break
		}
		if len(on) == 0 {
			// Weights at an angle to each other hold more mass than their sum pulls.
			asked *= complex(math.Max(0.3, 0.98-0.5*(total(ws, p.Name)/p.Cap-1)), 0)
		}
		on = nil
	}
	if asked != whole {
		notes = append(notes, balance.Verdict{Code: "plane-cap", Text: fmt.Sprintf("Plane %q may carry %.4g g in all, which is less than its correction needs; what fits is advised.", p.Name, p.Cap*1e3)})
	}
	return ws, phasor(ws, p) - whole, notes, nil
}

// phasor is the sum of the weights on a plane, kg at the plane's radius.
func phasor(ws []rotor.Weight, p rotor.Plane) (sum complex128) {
	for _, w := range ws {
		if w.Plane == p.Name {
			sum += w.Phasor(p.Radius)
		}
	}
	return sum
}

// onto is what is on the plane after a placement.
func onto(on []rotor.Weight, p rotor.Plane, pl place.Placement) []rotor.Weight {
	ws := append([]rotor.Weight(nil), on...)
	for _, e := range pl.Removed {
		ws = takeOff(ws, p, e)
	}
	for _, q := range pl.Placed {
		ws = append(ws, rotor.Weight{Plane: p.Name, Mass: q.Mass, Angle: q.Angle, Radius: q.Radius})
	}
	return ws
}

func notesOf(pl place.Placement) (vs []balance.Verdict) {
	for _, n := range pl.Notes {
		vs = append(vs, balance.Verdict{Code: n.Code, Text: n.Text})
	}
	return vs
}

// placeWork bounds the search for places: what it leaves undone is small beside
// the slips of hand, and a trim follows anyway.
const placeWork = 20_000_000

// placeTries is how often less is asked for until the cap is kept.
const placeTries = 12

// accept is the mass that moves no sensor by more than a tenth of its
// tolerance; 0 (the placement's own rule) where there is none.
func accept(a balance.Answer, plane int, sensors []balance.Sensor) float64 {
	least := math.Inf(1)
	for i, row := range a.Influence {
		if t := sensors[a.Rows[i].Sensor].Tolerance; t > 0 && row[plane] != 0 {
			least = math.Min(least, 0.1*t/cmplx.Abs(row[plane]))
		}
	}
	if math.IsInf(least, 1) {
		return 0
	}
	return least / float64(len(a.Corrections))
}

// existing names the places of the weights that are on a plane. Where one sits
// on no numbered place everything comes off and is placed anew.
func existing(p rotor.Plane, on []rotor.Weight) ([]place.Fitted, []rotor.Weight) {
	var out []place.Fitted
	for _, w := range on {
		n := 0
		for _, q := range p.Positions {
			if math.Abs(rotor.WrapRadians(q.Angle-w.Angle)) < 1e-6 {
				n = q.Number
			}
		}
		if n == 0 {
			return nil, nil
		}
		out = append(out, place.Fitted{Position: n, Mass: w.Mass})
	}
	return out, on
}

// takeOff removes one weight from a place.
func takeOff(on []rotor.Weight, p rotor.Plane, e place.Fitted) []rotor.Weight {
	for i, w := range on {
		for _, q := range p.Positions {
			if q.Number == e.Position && math.Abs(rotor.WrapRadians(q.Angle-w.Angle)) < 1e-6 && math.Abs(w.Mass-e.Mass) <= 1e-9 {
				return append(on[:i:i], on[i+1:]...)
			}
		}
	}
	return on
}

func reasons(vs []balance.Verdict) string {
	if len(vs) == 0 {
		return "Look for another cause than unbalance."
	}
	return vs[0].Text
}
