package casefile

import (
	"fmt"
	"io"
	"strings"
)

// cautions stand before anything that sends a person to the rotor.
const cautions = `Before anyone goes near the rotor: isolate, lock out and tag out; block the rotor against
windmilling and automatic restart; wait until the drive's stored energy is gone; prove that it
stands (a strobe makes a turning rotor look still). Fix weights so that they cannot fly; put the
weld return on the rotor, never through the bearings. Before the start: guards on, nobody in the
plane of rotation, never above the rotor's speed limit. Local rules, the maker's instructions and
licensed practice come first.
`

// WriteText writes a result for reading.
func (r Result) WriteText(w io.Writer) error {
	var b strings.Builder
	unit := strings.TrimSpace(r.Unit + " " + r.Detector)
	fmt.Fprintf(&b, "Angles %s, vectors in %s, method %s.\n\n", r.Convention, unit, r.Method)
	r.writeAnswer(&b, "Put on, with everything fitted since as found taken off:", r.Corrections, r.Predicted, unit)
	r.Joint.write(&b, unit)
	for i, a := range r.Alternatives {
		b.WriteByte('\n')
		r.writeAnswer(&b, fmt.Sprintf("Another answer that fits as well (%d):", i+2), a.Corrections, a.Predicted, unit)
	}
	fmt.Fprintf(&b, "\nMisfit of the runs: %s %s.\n", residual(r.Misfit, r.largest), unit)
	r.Suspicion.write(&b)
	writeVerdicts(&b, r.Verdicts)
	b.WriteString("\n" + cautions)
	_, err := io.WriteString(w, b.String())
	return err
}

func writeVerdicts(b *strings.Builder, vs []Verdict) {
	if len(vs) > 0 {
		b.WriteByte('\n')
	}
	for _, v := range vs {
		fmt.Fprintf(b, "[%s] %s\n", v.Code, v.Text)
	}
}

func (r Result) writeAnswer(b *strings.Builder, head string, cs []Correction, ps []Predicted, unit string) {
	fmt.Fprintln(b, head)
	for _, c := range cs {
		fmt.Fprintf(b, "  %s: %s g at %.1f deg", c.Plane, grams(c.MassG), c.AngleDeg)
		if c.MassCI != nil && c.AngleCI != nil {
			fmt.Fprintf(b, " (95 %%: %s to %s g, %.1f to %.1f deg)", grams(c.MassCI[0]), grams(c.MassCI[1]), c.AngleCI[0], c.AngleCI[1])
		} else {
			b.WriteString(" (no errors were stated, so this figure has no interval)")
		}
		fmt.Fprintf(b, "\n    further, leaving on what is on: %s g at %.1f deg\n", grams(c.Further.MassG), c.Further.AngleDeg)
		c.Placement.write(b, "    ")
		if f := c.FurtherPlacement; f != nil && len(c.FurtherPlaced) > 0 && c.Further != (Mass{c.MassG, c.AngleDeg}) {
			b.WriteString("    or, leaving on what is on, add:\n")
			f.write(b, "      ")
		}
	}
	for _, p := range ps {
		fmt.Fprintf(b, "  then %s should show %s %s", strings.TrimSpace(p.Sensor+" "+p.State), residual(p.Amplitude, r.largest), unit)
		if p.Radius95 != nil {
			fmt.Fprintf(b, ", the truth within %s of that", residual(*p.Radius95, r.largest))
		}
		if p.Placed != nil && residual(*p.Placed, r.largest) != residual(p.Amplitude, r.largest) {
			fmt.Fprintf(b, "; with the weights as placed %s", residual(*p.Placed, r.largest))
		}
		b.WriteString("\n")
	}
}

// write says what is done at the places, one line each.
func (p *Placement) write(b *strings.Builder, in string) {
	if p == nil {
		return
	}
	for _, f := range p.TakenOff {
		fmt.Fprintf(b, "%stake off place %d: %s g\n", in, f.Position, grams(f.MassG))
	}
	box := len(p.Tradeoff) > 0
	for _, q := range p.PutOn {
		if q.Position == 0 && !box {
			continue // it goes where it belongs
		}
		at := "a free angle"
		if q.Position > 0 {
			at = fmt.Sprintf("place %d", q.Position)
		}
		fmt.Fprintf(b, "%s%s (%.1f deg): %s g%s\n", in, at, q.AngleDeg, grams(q.MassG), q.made())
	}
	if r := grams(p.Residual.MassG); p.Residual.MassG > 1e-9*p.Target.MassG && r != "0" {
		short := ""
		if !p.Reached {
			short = ", more than was wanted"
		}
		fmt.Fprintf(b, "%sthat leaves %s g of %s g%s\n", in, r, grams(p.Target.MassG), short)
	}
	if len(p.Tradeoff) > 1 {
		fmt.Fprintf(b, "%sleft by number of weights: %s\n", in, p.tradeoff())
	}
	if p.StockLeft != nil {
		fmt.Fprintf(b, "%sleft in the box, of each mass: %s\n", in, strings.Trim(fmt.Sprint(p.StockLeft), "[]"))
	}
	if p.Instead != nil {
		fmt.Fprintf(b, "%sinstead, with a weight cut to size:\n", in)
		p.Instead.write(b, in+"  ")
	}
	for i, w := range p.Words {
		if i > 0 { // the cautions stand below
			fmt.Fprintf(b, "%s| %s\n", in, w)
		}
	}
}

// made says of which weights a place's mass is made.
func (q PutOn) made() string {
	var parts []string
	for _, w := range q.Pieces {
		part := grams(w.MassG)
		if w.From > 0 {
			part += fmt.Sprintf(" from place %d", w.From)
		}
		if w.Cut {
			part += " cut to size"
		}
		parts = append(parts, part)
	}
	if len(parts) == 0 || len(parts) == 1 && parts[0] == grams(q.MassG) {
		return ""
	}
	return " (" + strings.Join(parts, " + ") + ")"
}

func (p *Placement) tradeoff() string {
	var parts []string
	for _, t := range p.Tradeoff {
		part := fmt.Sprintf("%d: %s g", t.Weights, residual(t.ResidualG, p.Target.MassG))
		if t.BoundG < t.ResidualG*(1-1e-9) {
			part += fmt.Sprintf(" (proven: not below %s g)", residual(t.BoundG, p.Target.MassG))
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, ", ")
}

func (j *Joint) write(b *strings.Builder, unit string) {
	if j == nil {
		return
	}
	if j.InTolerances {
		unit = "of its tolerance"
	}
	fmt.Fprintf(b, "  both planes were chosen together: the worst sensor at %s %s", figure(j.Worst), unit)
	if j.Separate != nil && *j.Separate > j.Worst*(1+1e-9) {
		fmt.Fprintf(b, " (chosen apart: %s)", figure(*j.Separate))
	}
	var parts []string
	for _, t := range j.Tradeoff {
		parts = append(parts, fmt.Sprintf("%d+%d: %s", t.Weights[0], t.Weights[1], figure(t.Worst)))
	}
	fmt.Fprintf(b, "\n  worst sensor by number of weights: %s\n", strings.Join(parts, ", "))
}

// write lists the slips; the likeliest stands among the verdicts too.
func (s *Suspicion) write(b *strings.Builder) {
	switch {
	case s == nil || !s.Checked:
		return
	case !s.Alarm:
		fmt.Fprintln(b, s.Text)
		return
	}
	for i, f := range s.Findings {
		if i == 0 {
			b.WriteString("What may have happened, likeliest first:\n")
		}
		fmt.Fprintf(b, "  %.0f %%: %s\n", 100*f.Odds, f.What)
		for _, c := range f.IfSo {
			fmt.Fprintf(b, "      if so, in all: %s: %s g at %.1f deg\n", c.Plane, grams(c.MassG), c.AngleDeg)
		}
	}
	if s.Unexplained {
		b.WriteString("None of these explains it well.\n")
	}
}
