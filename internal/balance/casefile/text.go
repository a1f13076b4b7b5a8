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
	writeAnswer(&b, "Put on, with everything fitted since as found taken off:", r.Corrections, r.Predicted, unit)
	for i, a := range r.Alternatives {
		b.WriteByte('\n')
		writeAnswer(&b, fmt.Sprintf("Another answer that fits as well (%d):", i+2), a.Corrections, a.Predicted, unit)
	}
	fmt.Fprintf(&b, "\nMisfit of the runs: %.3g %s.\n", r.Misfit, unit)
	if len(r.Verdicts) > 0 {
		b.WriteByte('\n')
	}
	for _, v := range r.Verdicts {
		fmt.Fprintf(&b, "[%s] %s\n", v.Code, v.Text)
	}
	b.WriteString("\n" + cautions)
	_, err := io.WriteString(w, b.String())
	return err
}

func writeAnswer(b *strings.Builder, head string, cs []Correction, ps []Predicted, unit string) {
	fmt.Fprintln(b, head)
	for _, c := range cs {
		fmt.Fprintf(b, "  %s: %.4g g at %.1f deg", c.Plane, c.MassG, c.AngleDeg)
		if c.MassCI != nil && c.AngleCI != nil {
			fmt.Fprintf(b, " (95 %%: %.4g to %.4g g, %.1f to %.1f deg)", c.MassCI[0], c.MassCI[1], c.AngleCI[0], c.AngleCI[1])
		} else {
			b.WriteString(" (no errors were stated, so this figure has no interval)")
		}
		fmt.Fprintf(b, "\n    further, leaving on what is on: %.4g g at %.1f deg\n", c.Further.MassG, c.Further.AngleDeg)
		for _, p := range c.Placed {
			fmt.Fprintf(b, "    place %d (%.1f deg): %.4g g\n", p.Position, p.AngleDeg, p.MassG)
		}
	}
	for _, p := range ps {
		fmt.Fprintf(b, "  then %s should show %.3g %s", strings.TrimSpace(p.Sensor+" "+p.State), p.Amplitude, unit)
		if p.Radius95 != nil {
			fmt.Fprintf(b, ", the truth within %.3g of that", *p.Radius95)
		}
		b.WriteString("\n")
	}
}
