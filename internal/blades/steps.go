package blades

import "fmt"

// Cautions come before the first reading: turning a rotor by hand puts a
// person into its path.
var Cautions = []string{
	"Isolate the drive, lock it out and tag it, and try to start it before you touch it. Follow the local code and the maker's manual; where they ask for a licensed person, call one.",
	"Wait until a drive's stored energy is gone, and block the rotor against windmilling and against an automatic restart whenever a hand is among the blades.",
	"See with your own eyes that it stands. A strobe makes a turning rotor look still.",
	"Turn it by hand and by the hub or one blade only, away from the casing, and keep fingers out of the tip gap.",
	"Before any reading: rotor clean and dry, hollow blades drained, blade bolts and hub tight.",
	"Look at every blade root and weld for cracks. A cracked blade ends the work: the rotor must not run.",
}

// Step is one piece of the work, in the order in which it must be done.
type Step struct {
	Stage string // "pitch", "track", "moment-weights", "balance-weights"
	Done  bool   // nothing to do here
	Text  string
}

// steps puts the work in order: pitch changes track, track changes nothing
// else, and weights come last, because each of the others would undo them.
func (r *Result) steps() []Step {
	a := &r.Advice
	out := []Step{r.pitchStep(), r.trackStep()}
	switch {
	case a.Swap != nil && a.Swap.After < 0.9*a.Swap.Before:
		out = append(out, Step{Stage: "moment-weights", Text: fmt.Sprintf("Swap blades by moment weight: the static unbalance of the set falls from %.0f to %.0f g mm. The places are listed, blade by blade.", a.Swap.Before*1e6, a.Swap.After*1e6)})
	default:
		out = append(out, Step{Stage: "moment-weights", Done: true, Text: "Moment weights: nothing to swap, or not known."})
	}
	return append(out, Step{Stage: "balance-weights", Text: "Only now balance with weights, for what is left."})
}

func (r *Result) pitchStep() Step {
	s, g, a := r.Survey, r.Geometry, &r.Advice
	st := Step{Stage: "pitch"}
	p := a.PitchPlan
	switch {
	case !g.Pitch.Given:
		st.Done, st.Text = true, "Pitch was not read at every blade, so it is not judged."
	case !a.PitchAllowed:
		st.Text = "Pitch: these blades may not be twisted. Set them at the hub if the maker provides for it, or ask the maker."
	case r.chasing().pitch:
		st.Done, st.Text = true, "Pitch: out by no more than the reading error, so nothing is twisted for it now. Once track is put right, read every blade once more."
	case p == nil:
		st.Done, st.Text = true, "Pitch is not judged: no tolerance, or a reading is in question."
	case p.Found && p.Count == 0:
		st.Done, st.Text = true, "Pitch is inside its tolerance."
	case !p.Found:
		st.Text = "Pitch cannot be brought inside its tolerance by the moves that are allowed: ask the maker, or allow larger moves."
	default:
		how := "Set pitch at the hub"
		if !s.Adjustable {
			how = "Twist, slowly and cold, only ductile sheet metal, and after a crack check,"
		}
		st.Text = onceMore(r.surelyOut().pitch) + fmt.Sprintf("%s on %d of %d blades, then read track again: pitch changes it.", how, p.Count, s.Blades)
	}
	return st
}

func (r *Result) trackStep() Step {
	s, g, a := r.Survey, r.Geometry, &r.Advice
	st := Step{Stage: "track"}
	p := a.TrackPlan
	switch {
	case !g.Track.Given:
		st.Done, st.Text = true, "Track was not read at every blade, so it is not judged."
	case !a.TrackAllowed:
		st.Text = "Track: these blades must not be bent. Shim or replace the blade, or ask the maker."
	case g.OneEdge:
		st.Text = "Read the other edge too before a blade is bent."
	case r.chasing().track:
		st.Done, st.Text = true, "Track: out by no more than the reading error, so nothing is bent for it now. Once pitch is put right, read every blade once more."
	case p == nil:
		st.Done, st.Text = true, "Track is not judged: no tolerance, or a reading is in question."
	case p.Found && p.Count == 0:
		st.Done, st.Text = true, "Track is inside its tolerance."
	case !p.Found:
		st.Text = "Track cannot be brought inside its tolerance by the moves that are allowed: replace the worst blade, or allow larger moves."
	default:
		st.Text = onceMore(r.surelyOut().track) + fmt.Sprintf("Bend %d of %d blades, each near its root and in small steps: only ductile sheet metal, and after a crack check before and after. Read all blades again.", p.Count, s.Blades)
	}
	return st
}

// onceMore comes before moves that the reading error alone may ask for.
func onceMore(sure bool) string {
	if sure {
		return ""
	}
	return "Read every blade once more first: it may be the reading error alone. If it stays so: "
}
