package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"counterpoise/internal/blades"
	"counterpoise/internal/blades/surveyfile"
)

// Findings are the verdicts that are no questions, which stand elsewhere.
func (p surveyView) Findings() (out []surveyfile.ReplyVerdict) {
	for _, v := range p.Reply.Verdicts {
		asked := func(q surveyfile.ReplyQuestion) bool { return q.Code == v.Code && q.Text == v.Text }
		if !slices.ContainsFunc(p.Reply.Questions, asked) {
			out = append(out, v)
		}
	}
	return out
}

// Proven says that fewer blades will not do.
func (p surveyView) Proven() bool {
	ok := func(s *surveyfile.ReplySearch) bool { return s == nil || s.Proven }
	return ok(p.Reply.Plan.Track) && ok(p.Reply.Plan.Pitch)
}

// Go is what a button under the heading does with the result: nothing else is
// needed for it. Moving a real blade takes the table of moves and a look for
// cracks, so its button stands there.
func (p surveyView) Go() string {
	if !p.Result() {
		return ""
	}
	sure := len(p.Reply.Moves) > 0 && p.Reply.Plan.Sure
	switch {
	case sure && p.Job.HasFan:
		return "moved"
	case !sure && !p.Kept && (p.InOrder() || p.Again()):
		return "finish"
	}
	return ""
}

// Now is the one thing to do now, which must be seen at arm's length.
func (p surveyView) Now() string {
	switch {
	case !p.Result():
		return p.Guide.Text
	case p.Again():
		return say("survey.next.again")
	case len(p.Reply.Moves) > 0:
		var names []string
		for _, m := range p.Reply.Moves {
			names = append(names, strconv.Itoa(m.Blade))
		}
		if len(names) == 1 {
			return fmt.Sprintf(say("survey.next.move.one"), names[0])
		}
		return fmt.Sprintf(say("survey.next.move"), strings.Join(names, ", "))
	case !p.InOrder():
		return say("survey.next.none")
	case p.Kept:
		return say("survey.next.job")
	}
	return say("survey.next.keep")
}

// Again says that every blade is to be read once more before one is moved.
func (p surveyView) Again() bool {
	return p.Result() && len(p.Reply.Moves) > 0 && !p.Reply.Plan.Sure
}

// InOrder says that no blade is cracked and nothing is out of its tolerance as
// it was read.
func (p surveyView) InOrder() bool {
	return len(p.Sheet.Cracked) == 0 && !slices.ContainsFunc(p.Reply.Verdicts, func(v surveyfile.ReplyVerdict) bool {
		return slices.Contains([]string{blades.VerdictTrackOut, blades.VerdictPitchOut}, v.Code)
	})
}

// Result says that every blade was read, so that something can be said.
func (p surveyView) Result() bool { return p.Reply != nil && p.Guide.Next == 0 }

// eachRow is one blade of the table of all.
type eachRow struct {
	Blade        int
	Track, Pitch string
	Move         bool
}

// Each is what was found, blade by blade.
func (p surveyView) Each() (out []eachRow) {
	cell := func(v []*float64, i int, format string) string {
		if i >= len(v) || v[i] == nil {
			return unknownText
		}
		return fmt.Sprintf(format, *v[i])
	}
	var track, pitch []*float64
	if t := p.Reply.Track; t != nil {
		track = t.Values
	}
	if t := p.Reply.Pitch; t != nil {
		pitch = t.Values
	}
	for i := range p.Sheet.Blades {
		moved := p.Reply.Plan.Sure && slices.ContainsFunc(p.Reply.Moves, func(m surveyfile.ReplyMove) bool { return m.Blade == i+1 })
		out = append(out, eachRow{i + 1, cell(track, i, "%+.2f"), cell(pitch, i, "%.2f"), moved})
	}
	return out
}

// Swaps are the places whose blade changes.
func (p surveyView) Swaps() (out [][2]int) {
	if s := p.Reply.Swap; s != nil && s.After < 0.9*s.Before {
		for i, n := range s.Place {
			if n != i+1 {
				out = append(out, [2]int{i + 1, n})
			}
		}
	}
	return out
}
