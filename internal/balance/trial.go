package balance

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// firstTrialShare is the most centrifugal force of a first trial over the rotor's
// weight, at the highest speed that the rotor can reach.
const firstTrialShare = 0.1

// TrialQuestion is what is known before a trial weight is fitted. Figures that are
// not known are zero.
type TrialQuestion struct {
	Machine   rotor.Machine
	Plane     rotor.Plane
	AsFound   []complex128 // [sensor] peak
	Sigma     []float64    // [sensor] reading error per axis; nil or 0 = not known
	Trip      []float64    // [sensor] peak; nil or 0 = none given
	Alpha     []complex128 // [sensor] known effect per kg, 0 = not that of this sensor; nil = none known
	Phase     bool         // Alpha's phase is known too, not only its size
	Confirmed bool         // the person has agreed to more than the first-trial cap
}

// TrialRule is what one rule wants.
type TrialRule struct {
	Name string
	Mass float64 // kg
	Text string
}

// TrialAdvice is a trial weight to use, or why there is none.
type TrialAdvice struct {
	Mass     float64 // kg; 0 = no advice, the verdicts say why
	Angle    float64 // rad, with rotation; meaningful where Placed
	Placed   bool    // the angle follows from the known effect or from the places that exist
	Position int     // number of the place; 0 = free angle
	Cap      float64 // kg, never above this
	CapWhy   string
	Rules    []TrialRule
	Verdicts []Verdict
}

func (t *TrialAdvice) verdict(code, text string) {
	t.Verdicts = append(t.Verdicts, Verdict{code, text})
}

// AdviseTrial proposes a trial weight and its place. Nothing is proposed whose
// force is unknown, or above the trip level. The rules disagree by a factor of
// ten between machines, so all are listed: known sensitivity counts first, the
// caps always.
func AdviseTrial(q TrialQuestion) (TrialAdvice, error) {
	if err := q.check(); err != nil {
		return TrialAdvice{}, err
	}
	var t TrialAdvice
	for i, v := range q.AsFound {
		if trip := at(q.Trip, i); trip > 0 && cmplx.Abs(v) >= trip {
			t.verdict("above-trip", fmt.Sprintf("Sensor %d shows %.3g, at or above its trip level of %.3g: do not make a trial at full speed. Reduce the speed or stop, and inspect the rotor for damage, build-up and loose parts first.", i+1, cmplx.Abs(v), trip))
			return t, nil
		}
	}
	speed := math.Max(q.Machine.MaxSpeed, q.Machine.Speed)
	if q.Plane.Radius == 0 || speed == 0 || q.Machine.Mass == 0 {
		t.verdict("force-unknown", "Force unknown: without radius, highest speed and rotor mass the pull of a weight cannot be worked out, so no mass is advised. Give all three.")
		return t, nil
	}
	q.rules(&t, speed)
	q.caps(&t, speed)
	q.pick(&t)
	q.place(&t, speed)
	return t, nil
}

func at(x []float64, i int) float64 {
	if i < len(x) {
		return x[i]
	}
	return 0
}

func (q *TrialQuestion) check() error {
	for i, v := range q.AsFound {
		if !finite(v) {
			return fmt.Errorf("the as-found reading of sensor %d is not a number: measure it again", i+1)
		}
	}
	if q.Alpha != nil && len(q.Alpha) != len(q.AsFound) {
		return fmt.Errorf("there are %d known effects for %d sensors: give one for each, or none", len(q.Alpha), len(q.AsFound))
	}
	for _, x := range []float64{q.Machine.Mass, q.Machine.Speed, q.Machine.MaxSpeed, q.Machine.Grade, q.Plane.Cap, q.Plane.MaxForce} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return fmt.Errorf("the machine or the plane holds the number %g: it must be zero (not known) or above", x)
		}
	}
	return checkPlane(0, q.Plane)
}

// rules lists what each rule wants, before any cap.
func (q *TrialQuestion) rules(t *TrialAdvice, speed float64) {
	r := q.Plane.Radius
	if q.Alpha != nil {
		best := math.Inf(1)
		for i, v := range q.AsFound {
			want := math.Max(0.5*cmplx.Abs(v), 20*at(q.Sigma, i))
			if a := cmplx.Abs(q.Alpha[i]); a > 0 && want > 0 {
				best = math.Min(best, want/a)
			}
		}
		if !math.IsInf(best, 1) {
			t.Rules = append(t.Rules, TrialRule{"sensitivity", best, "from the known effect: changes the reading by half of itself, or by 20 times its error"})
		}
	}
	if q.Machine.Grade > 0 && q.Machine.Speed > 0 {
		per := rotor.PermissibleUnbalance(q.Machine.Grade, q.Machine.Mass, q.Machine.Speed) / r
		t.Rules = append(t.Rules, TrialRule{"5 x permissible", 5 * per, "five times the permissible residual unbalance (common practice, no source)"},
			TrialRule{"10 x permissible", 10 * per, "ten times the permissible residual unbalance (common practice, no source)"})
	}
	t.Rules = append(t.Rules, TrialRule{"10 % of weight", firstTrialShare * q.Machine.Mass * gravity / (r * speed * speed), "pulls with 10 % of the rotor's weight at the highest speed (common practice, no source)"})
	lo, hi := t.Rules[0], t.Rules[0]
	for _, rule := range t.Rules {
		if rule.Mass < lo.Mass {
			lo = rule
		}
		if rule.Mass > hi.Mass {
			hi = rule
		}
	}
	if hi.Mass > 2*lo.Mass {
		t.verdict("rules-disagree", fmt.Sprintf("The rules for a trial weight disagree: %.3g g (%s) to %.3g g (%s). Known sensitivity counts first, the caps always.", lo.Mass*1e3, lo.Name, hi.Mass*1e3, hi.Name))
	}
}

// caps finds the hardest limit.
func (q *TrialQuestion) caps(t *TrialAdvice, speed float64) {
	force := q.Plane.Radius * speed * speed
	t.Cap = math.Inf(1)
	limit := func(m float64, why string) {
		if m < t.Cap {
			t.Cap, t.CapWhy = math.Max(0, m), why
		}
	}
	if q.Alpha == nil || !q.Confirmed {
		limit(firstTrialShare*q.Machine.Mass*gravity/force, "10 % of the rotor's weight in force at the highest speed")
	}
	if q.Plane.Cap > 0 {
		limit(q.Plane.Cap, "the mass that the plane may carry")
	}
	if q.Plane.MaxForce > 0 {
		limit(q.Plane.MaxForce/force, "the force that the fastener may carry")
	}
	for i, a := range q.Alpha {
		if trip := at(q.Trip, i); trip > 0 && a != 0 {
			limit((trip-cmplx.Abs(q.AsFound[i]))/cmplx.Abs(a), fmt.Sprintf("the trip level of sensor %d, should the weight add to what is there", i+1))
		}
	}
}

// pick chooses the mass: sensitivity where known, else the smaller of ten times
// permissible and 10 % of weight; then the cap, then what is in the box.
func (q *TrialQuestion) pick(t *TrialAdvice) {
	want := math.Inf(1)
	for _, r := range t.Rules {
		if r.Name == "sensitivity" {
			want = r.Mass
			break
		}
		if r.Name != "5 x permissible" {
			want = math.Min(want, r.Mass)
		}
	}
	t.Mass = want
	if want > t.Cap {
		t.Mass = t.Cap
		text := fmt.Sprintf("The trial wanted is %.3g g; it is held to %.3g g by %s.", want*1e3, t.Cap*1e3, t.CapWhy)
		if t.CapWhy[0] == '1' && q.Alpha != nil {
			text += " More needs an explicit confirmation."
		}
		t.verdict("trial-capped", text)
	}
	if len(q.Plane.Masses) == 0 || t.Mass == 0 {
		return
	}
	box := slices.Clone(q.Plane.Masses)
	slices.Sort(box)
	best := 0.0
	for _, m := range box {
		if m <= t.Cap && math.Abs(math.Log(m/t.Mass)) < math.Abs(math.Log(math.Max(best, 1e-300)/t.Mass)) {
			best = m
		}
	}
	if best == 0 {
		t.Mass = 0
		t.verdict("no-trial-weight", fmt.Sprintf("The lightest weight in the box, %.3g g, is above the safe limit of %.3g g: get a lighter one.", box[0]*1e3, t.Cap*1e3))
		return
	}
	t.Mass = best
}

// place says where: opposite the heavy spot if the phase of the effect is known.
func (q *TrialQuestion) place(t *TrialAdvice, speed float64) {
	if t.Mass == 0 {
		return
	}
	if q.Phase && len(q.Alpha) > 0 {
		var sum complex128 // least squares direction over the sensors
		for i, a := range q.Alpha {
			sum -= cmplx.Conj(a) * q.AsFound[i]
		}
		if sum != 0 {
			t.Angle, t.Placed = cmplx.Phase(sum), true
		}
	}
	near := math.Inf(1)
	target := t.Angle
	for _, p := range q.Plane.Positions {
		if p.Forbidden {
			continue
		}
		if d := math.Abs(rotor.WrapRadians(p.Angle - target)); d < near {
			near, t.Angle, t.Position = d, p.Angle, p.Number
			if p.Radius > 0 && t.Mass*p.Radius > t.Cap*q.Plane.Radius { // the place lies further out
				t.Mass = t.Cap * q.Plane.Radius / p.Radius
			}
		}
	}
	where := "Its effect is not known, so any place will do; the lightest place of the rotor is the best guess."
	if q.Alpha != nil {
		where = "Where it lowers the vibration is not known well enough, so any place will do; the lightest place of the rotor is the best guess."
	}
	if t.Placed {
		where = "It stands where it should lower the vibration."
	}
	t.Placed = t.Placed || t.Position > 0
	t.verdict("trial-advice", fmt.Sprintf("Trial: %.3g g, pulling with %.3g N at the highest speed (%.1f %% of the rotor's weight). %s", t.Mass*1e3,
		rotor.Force(t.Mass, q.Plane.Radius, speed), 100*rotor.Force(t.Mass, q.Plane.Radius, speed)/(q.Machine.Mass*gravity), where))
}
