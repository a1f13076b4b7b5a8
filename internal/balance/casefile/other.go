package casefile

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// PlacementResult is every way to make the corrections of a case.
type PlacementResult struct {
	Schema       int              `json:"schema"`
	Convention   string           `json:"convention"`
	Planes       []PlanePlacement `json:"planes"`
	Joint        *Joint           `json:"joint"`
	FurtherJoint *Joint           `json:"further_joint"`
	Cautions     string           `json:"cautions"`
	Verdicts     []Verdict        `json:"verdicts"`
	result       Result
}

// PlanePlacement is one plane: the correction as solve places it, and other ways.
type PlanePlacement struct {
	Plane            string     `json:"plane"`
	Total            Mass       `json:"total"` // with everything fitted since as found taken off
	Further          Mass       `json:"further"`
	Placement        *Placement `json:"placement"`
	FurtherPlacement *Placement `json:"further_placement"`
	Other            []OtherWay `json:"other_ways"` // of the total
}

// OtherWay is another way to make the total of a plane.
type OtherWay struct {
	Kind    string   `json:"kind"` // next-best, other-radius, two-movable, one-weight, one-weight-now, arc, drill, grind
	Text    string   `json:"text"`
	PutOn   []PutOn  `json:"put_on"`
	Remove  *Cutting `json:"remove"`   // drill and grind only
	LeavesG float64  `json:"leaves_g"` // of the correction, at the plane's radius
	Words   []string `json:"words"`    // next-best, other-radius and drill, where seen_from and turns are stated
}

// Cutting is material to remove.
type Cutting struct {
	AngleDeg float64  `json:"angle_deg"`
	DepthMM  float64  `json:"depth_mm"`
	MassG    *float64 `json:"mass_g"` // taken out; null for a strip
	Holes    int      `json:"holes,omitempty"`
}

// Placements answers --ask placement.
func (j *Job) Placements() (PlacementResult, error) {
	a, err := balance.Solve(j.Case, j.Options)
	if err != nil {
		return PlacementResult{}, err
	}
	r := j.Result(a)
	out := PlacementResult{Schema: 1, Convention: r.Convention, Planes: []PlanePlacement{}, Joint: r.Joint, FurtherJoint: r.FurtherJoint,
		Cautions: cautions, Verdicts: r.Verdicts, result: r}
	for i, c := range r.Corrections {
		o := &others{j: j, i: i, p: j.Case.Planes[i], g: j.grounds[i], total: a.Corrections[i].Total, omega: j.topSpeed()}
		if m := cmplx.Abs(o.total); m > nothing && !math.IsInf(m, 0) {
			o.all(c.Placement)
		}
		out.Planes = append(out.Planes, PlanePlacement{Plane: c.Plane, Total: Mass{c.MassG, c.AngleDeg}, Further: c.Further,
			Placement: c.Placement, FurtherPlacement: c.FurtherPlacement, Other: append([]OtherWay{}, o.ways...)})
		out.Verdicts = append(out.Verdicts, o.refused...)
	}
	if j.view.From == "" {
		out.Verdicts = append(out.Verdicts, Verdict{"not-drawn", "Nothing is drawn or put into words for the radio, because it might be fitted mirrored: state seen_from (the side where the person stands) and turns (clockwise or anticlockwise, seen from there)."})
	}
	return out, nil
}

// others collects the other ways of one plane.
type others struct {
	j       *Job
	i       int
	p       rotor.Plane
	g       ground
	total   complex128
	omega   float64
	ways    []OtherWay
	refused []Verdict
}

func (o *others) all(chosen *Placement) {
	o.nextBest(chosen)
	for _, r := range o.g.radii {
		o.otherRadius(r)
	}
	o.twoMovable()
	o.oneWeight()
	o.arc()
	o.cut()
}

func (o *others) refuse(code, format string, args ...any) {
	o.refused = append(o.refused, Verdict{code, fmt.Sprintf("Plane %q, ", o.p.Name) + fmt.Sprintf(format, args...)})
}

// limit is the most mass in kg that may stand at one place of radius r: by the
// plane's cap and by the force.
func (o *others) limit(r float64) float64 {
	c := math.Inf(1)
	if o.p.Cap > 0 {
		c = o.p.Cap
	}
	if o.p.MaxForce > 0 && o.omega > 0 && r > 0 {
		c = math.Min(c, o.p.MaxForce/rotor.Force(1, r, o.omega))
	}
	return c
}

// fits refuses masses that are over the cap, one by one or with what stays there.
func (o *others) fits(what string, r float64, stays float64, masses ...float64) bool {
	all := stays
	for _, m := range masses {
		all += m
		if !(m <= o.limit(r)*(1+1e-9)) {
			o.refuse("over-cap", "%s: it would take %s g in one place, which may carry %s g.", what, grams(m*1e3), grams(o.limit(r)*1e3))
			return false
		}
	}
	if o.p.Cap > 0 && !(all <= o.p.Cap*(1+1e-9)) {
		o.refuse("over-cap", "%s: %s g would be on the plane in all, which may carry %s g.", what, grams(all*1e3), grams(o.p.Cap*1e3))
		return false
	}
	return true
}

// clips are the masses in kg of the weights that were there as found.
func (o *others) clips() (fixed, movable float64) {
	for _, e := range o.g.existing {
		if e.Fixed {
			fixed += e.Mass
		} else {
			movable += e.Mass
		}
	}
	return fixed, movable
}

func (o *others) put(angle, radius, mass float64) PutOn {
	return PutOn{AngleDeg: o.j.Convention.Degrees(angle), RadiusMM: number(radius * 1e3), MassG: mass * 1e3,
		ForceN: number(rotor.Force(mass, radius, o.omega)), Pieces: []Piece{{MassG: mass * 1e3}}}
}

// nextBest lists choices from the box for a person who cannot have the first.
func (o *others) nextBest(chosen *Placement) {
	const few = 3
	if chosen == nil || len(o.p.Positions) == 0 || len(o.p.Masses) == 0 || chosen.Weights == 0 {
		return
	}
	limits := o.j.limits(o.i, o.g.existing, o.j.returned(o.i))
	list, _, err := place.Nearest(o.p, o.total, chosen.Weights, few+1, limits)
	if err != nil {
		return
	}
	for _, got := range list {
		out := o.j.placement(got, o.p)
		if over(o.p, got, limits, 0) || slices.EqualFunc(out.PutOn, chosen.PutOn, samePut) || len(o.ways) == few {
			continue
		}
		o.ways = append(o.ways, OtherWay{Kind: "next-best", PutOn: out.PutOn, LeavesG: out.Residual.MassG, Words: out.Words,
			Text: fmt.Sprintf("From the box as well: %s; leaves %s g.", puts(out), grams(out.Residual.MassG))})
	}
}

func samePut(a, b PutOn) bool { return a.Position == b.Position && a.MassG == b.MassG }

// puts says in short what a placement does.
func puts(p Placement) string {
	var parts []string
	for _, f := range p.TakenOff {
		parts = append(parts, fmt.Sprintf("take %s g off place %d", grams(f.MassG), f.Position))
	}
	for _, q := range p.PutOn {
		at := fmt.Sprintf("%.1f deg", q.AngleDeg)
		if q.Position > 0 {
			at = fmt.Sprintf("place %d", q.Position)
		}
		parts = append(parts, fmt.Sprintf("%s g at %s%s", grams(q.MassG), at, q.made()))
	}
	return listed(parts)
}

// otherRadius makes the moment at another radius, with masses cut to size.
func (o *others) otherRadius(r float64) {
	what := fmt.Sprintf("at the radius %s mm", figure(r*1e3))
	if o.p.Radius <= 0 {
		o.refuse("radius-unknown", "%s: the radius of the plane is not stated, so the moment is unknown.", what)
		return
	}
	p := o.p
	p.Radius, p.Masses, p.Positions = r, nil, slices.Clone(o.p.Positions)
	for k := range p.Positions {
		p.Positions[k].Radius = 0
	}
	target := o.total * complex(place.AtRadius(1, o.p.Radius, r), 0)
	limits := place.Options{Speed: o.omega}
	fixed, movable := o.clips() // they stay, at their own radius
	got, err := inAll(p, target, limits, fixed+movable)
	if err != nil {
		o.refuse("over-cap", "%s: %s.", what, err)
		return
	}
	out := o.j.placement(got, p)
	leaves := cmplx.Abs(got.Residual) * r / o.p.Radius * 1e3
	if !got.Reached {
		for _, n := range got.Notes {
			o.refuse(n.Code, "%s: %s", what, n.Text)
		}
		return
	}
	o.ways = append(o.ways, OtherWay{Kind: "other-radius", PutOn: out.PutOn, LeavesG: leaves, Words: out.Words,
		Text: fmt.Sprintf("%s: %s, cut to size.", strings.ToUpper(what[:1])+what[1:], puts(out))})
}

// twoMovable turns two sliding weights against each other.
func (o *others) twoMovable() {
	if len(o.g.movable) != 2 {
		return
	}
	m1, m2 := o.g.movable[0], o.g.movable[1]
	fixed, movable := o.clips()
	if !o.fits("two movable weights", o.p.Radius, fixed+movable, m1, m2) {
		return
	}
	a1, a2, rest := place.TwoMovable(m1, m2, o.total)
	w := OtherWay{Kind: "two-movable", PutOn: []PutOn{o.put(a1, o.p.Radius, m1), o.put(a2, o.p.Radius, m2)}, LeavesG: cmplx.Abs(rest) * 1e3}
	w.Text = fmt.Sprintf("Two movable weights: %s g at %.1f deg and %s g at %.1f deg", grams(m1*1e3), w.PutOn[0].AngleDeg, grams(m2*1e3), w.PutOn[1].AngleDeg)
	if w.LeavesG > 1e-9*cmplx.Abs(o.total)*1e3 {
		w.Text += fmt.Sprintf("; that is the nearest they can do, %s g stays", grams(w.LeavesG))
	}
	w.Text += "."
	o.ways = append(o.ways, w)
}

// oneWeight combines all that can be taken off with the correction, and what is
// on the plane now, into one weight each.
func (o *others) oneWeight() {
	var clips []rotor.Weight
	for _, e := range o.g.existing {
		q := o.p.Positions[e.Position-1]
		if !e.Fixed {
			clips = append(clips, rotor.Weight{Plane: o.p.Name, Mass: e.Mass, Angle: q.Angle, Radius: q.Radius})
		}
	}
	fixed, _ := o.clips()
	o.single("one-weight", "One weight instead of all that can be taken off:", o.total+place.Combine(o.p, clips), fixed)
	if now := append(o.j.last(o.p.Name), clips...); len(now) > 1 {
		o.single("one-weight-now", fmt.Sprintf("Without a correction: the %d weights on the plane now act as one weight,", len(now)), place.Combine(o.p, now), fixed)
	}
}

// single is one weight at the angle of sum, or on the place that comes nearest.
func (o *others) single(kind, text string, sum complex128, stays float64) {
	if cmplx.Abs(sum) <= nothing {
		o.ways = append(o.ways, OtherWay{Kind: kind, PutOn: []PutOn{}, Text: text + " nothing at all: they cancel."})
		return
	}
	at, mass, rest := PutOn{}, cmplx.Abs(sum), 0.0
	radius, angle, number := o.p.Radius, cmplx.Phase(sum), 0
	if len(o.p.Positions) > 0 {
		rest = cmplx.Abs(sum)
		mass = 0
		for _, q := range o.p.Positions {
			held := slices.ContainsFunc(o.g.existing, func(e place.Fitted) bool { return e.Fixed && e.Position == q.Number })
			u := rotor.Weight{Mass: 1, Angle: q.Angle, Radius: q.Radius}.Phasor(o.p.Radius)
			m := real(sum*cmplx.Conj(u)) / (real(u)*real(u) + imag(u)*imag(u))
			if left := cmplx.Abs(sum - complex(m, 0)*u); !q.Forbidden && !held && m > 0 && left < rest*(1-1e-12) {
				rest, mass, angle, number = left, m, q.Angle, q.Number
				if radius = q.Radius; radius == 0 {
					radius = o.p.Radius
				}
			}
		}
		if number == 0 {
			return
		}
	}
	if !o.fits("one weight", radius, stays, mass) {
		return
	}
	at = o.put(angle, radius, mass)
	at.Position = number
	text += fmt.Sprintf(" %s g at %.1f deg", grams(mass*1e3), at.AngleDeg)
	if number > 0 {
		_, want := o.j.Convention.Polar(sum)
		text += fmt.Sprintf(" (place %d; %s g at %.1f deg would be exact, %s g stays)", number, grams(cmplx.Abs(sum)*1e3), want, grams(rest*1e3))
	}
	o.ways = append(o.ways, OtherWay{Kind: kind, PutOn: []PutOn{at}, LeavesG: rest * 1e3, Text: text + "."})
}

// arc is a strip instead of a point.
func (o *others) arc() {
	if o.g.arc <= 0 {
		return
	}
	m := place.Arc(cmplx.Abs(o.total), o.g.arc)
	fixed, movable := o.clips()
	if !o.fits("a strip", o.p.Radius, fixed+movable, m) {
		return
	}
	w := o.put(cmplx.Phase(o.total), o.p.Radius, m)
	o.ways = append(o.ways, OtherWay{Kind: "arc", PutOn: []PutOn{w}, Text: fmt.Sprintf(
		"A strip of %s deg with its middle at %.1f deg: %s g, because a strip acts with %.1f %% of its mass.", figure(2*o.g.arc*180/math.Pi), w.AngleDeg, grams(m*1e3), 100*place.ArcEfficiency(o.g.arc))})
}

// cut removes material, only as the maker allows and from parts that may lose some.
func (o *others) cut() {
	r := o.g.removal
	if r == nil {
		return
	}
	switch {
	case !r.MakerAllows:
		o.refuse("removal-refused", "removing material: it is offered only where the maker allows it (removal.maker_allows), never on blades or a stressed hub. Fit a weight instead.")
		return
	case !slices.Contains(Parts, r.Part):
		o.refuse("removal-refused", "removing material from %q: it is offered for %s only, never for blades or a stressed hub. Fit a weight instead.", r.Part, strings.Join(Parts, ", "))
		return
	case !(r.MaxDepthMM > 0):
		o.refuse("removal-refused", "removing material: the maker's greatest depth is not stated (removal.max_depth_mm). Ask the maker, or fit a weight instead.")
		return
	}
	c := place.Cutter{Diameter: r.DrillMM * 1e-3, Point: r.PointDeg * math.Pi / 180, Radius: r.SurfaceMM * 1e-3, Density: r.Density, MaxDepth: r.MaxDepthMM * 1e-3, Allowed: true}
	if c.Radius == 0 {
		c.Radius = o.p.Radius
	}
	if r.DrillMM == 0 && r.GrindWidthMM == 0 {
		o.refuse("removal-refused", "removing material: state removal.drill_mm, or grind_width_mm and grind_arc_deg.")
	}
	if r.DrillMM != 0 {
		o.drill(c)
	}
	if r.GrindWidthMM != 0 {
		angle, depth, err := c.Grind(o.total, o.p.Radius, r.GrindWidthMM*1e-3, r.GrindArcDeg/2*math.Pi/180)
		if err != nil {
			o.refuse("removal-refused", "grinding: %s.", err)
			return
		}
		d := o.j.Convention.Degrees(angle)
		o.ways = append(o.ways, OtherWay{Kind: "grind", PutOn: []PutOn{}, Remove: &Cutting{AngleDeg: d, DepthMM: depth * 1e3}, Text: fmt.Sprintf(
			"Grind the %s as the maker allows: a strip %s mm wide and %s deg long with its middle at %.1f deg, %.2f mm deep.", r.Part, figure(r.GrindWidthMM), figure(r.GrindArcDeg), d, depth*1e3)})
	}
}

func (o *others) drill(c place.Cutter) {
	h, err := c.Drill(o.total, o.p.Radius)
	if err != nil {
		o.refuse("removal-refused", "drilling: %s.", err)
		return
	}
	d := o.j.Convention.Degrees(h.Angle)
	w := OtherWay{Kind: "drill", PutOn: []PutOn{}, Remove: &Cutting{AngleDeg: d, DepthMM: h.Depth * 1e3, MassG: number(h.Mass * 1e3), Holes: h.Holes}}
	holes := "one hole"
	if h.Holes > 1 {
		holes = fmt.Sprintf("%d holes side by side, each", h.Holes)
	}
	w.Text = fmt.Sprintf("Drill the %s as the maker allows: %s of %s mm at %.1f deg, %.1f mm deep to the tip; %s g come out.",
		o.g.removal.Part, holes, figure(c.Diameter*1e3), d, h.Depth*1e3, grams(h.Mass*1e3))
	if o.j.view.From != "" {
		w.Words, _ = h.Words(o.p.Name, o.j.view)
	}
	o.ways = append(o.ways, w)
}

// WriteText writes the placements for reading.
func (r PlacementResult) WriteText(w io.Writer) error {
	if len(r.Planes) == 0 {
		return errors.New("there is no plane to place a weight on")
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Angles %s.\n\n", r.Convention)
	r.result.writeAnswer(&b, "Put on, with everything fitted since as found taken off:", r.result.Corrections, r.result.Predicted, strings.TrimSpace(r.result.Unit+" "+r.result.Detector))
	r.Joint.write(&b, r.result.Unit)
	for _, p := range r.Planes {
		if len(p.Other) > 0 {
			fmt.Fprintf(&b, "\nOther ways for %s, each instead of the above:\n", p.Plane)
		}
		for _, o := range p.Other {
			fmt.Fprintf(&b, "  %s\n", o.Text)
			for k, line := range o.Words {
				if k > 0 {
					fmt.Fprintf(&b, "    | %s\n", line)
				}
			}
		}
	}
	writeVerdicts(&b, r.Verdicts)
	b.WriteString("\n" + cautions)
	_, err := io.WriteString(w, b.String())
	return err
}
