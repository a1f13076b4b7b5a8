package blades

import (
	"fmt"
	"slices"
)

// Guide leads a person with gloves round the rotor, one blade at a time.
type Guide struct {
	Next  int    // blade to turn to the pointer now; 0 = all are read
	Kinds []Kind // what to read there
	Done  []int
	Asked []int  // blades with a reading in question
	Text  string // one sentence for the person
}

// usualKinds are read where no reading says yet what is being read.
var usualKinds = []Kind{Leading, Trailing}

// Guide says which blade comes next: first the blades not read yet, by number,
// which is the order in which they pass the pointer; then those in question.
func (s *Survey) Guide() (Guide, error) {
	_, asks, err := Reduce(s)
	if err != nil {
		return Guide{}, err
	}
	g := Guide{Kinds: s.wanted()}
	for b := 1; b <= s.Blades; b++ {
		missing := !s.read(b, g.Kinds)
		asked := slices.ContainsFunc(asks, func(q Question) bool { return q.Blade == b && q.Code != "blade-missing" })
		switch {
		case missing && g.Next == 0:
			g.Next = b
		case missing:
		case asked:
			g.Asked = append(g.Asked, b)
		default:
			g.Done = append(g.Done, b)
		}
	}
	switch {
	case g.Next != 0:
		g.Text = fmt.Sprintf("Turn blade %d to the pointer by hand and read: %s.", g.Next, list(g.Kinds))
	case len(g.Asked) > 0:
		g.Next = g.Asked[0]
		g.Text = fmt.Sprintf("Turn blade %d to the pointer again: a reading of it is in question.", g.Next)
	default:
		g.Text = "All blades are read. Once round again would tell how well the readings repeat."
	}
	return g, nil
}

// wanted are the kinds of which there is any reading: what was begun is finished.
func (s *Survey) wanted() (out []Kind) {
	for k := Leading; k <= Incline; k++ {
		if slices.ContainsFunc(s.Readings, func(r Reading) bool { return r.Kind == k }) {
			out = append(out, k)
		}
	}
	if len(out) == 0 || len(out) == 1 && (out[0] == Leading || out[0] == Trailing) {
		return usualKinds
	}
	return out
}

func (s *Survey) read(blade int, want []Kind) bool {
	for _, k := range want {
		if !slices.ContainsFunc(s.Readings, func(r Reading) bool { return r.Blade == blade && r.Kind == k }) {
			return false
		}
	}
	return true
}

func list(kinds []Kind) string {
	out := ""
	for i, k := range kinds {
		if i > 0 {
			out += ", "
		}
		out += k.String()
	}
	return out
}

// Picture is the drawing that goes with the guide.
func (g Guide) Picture() Picture { return Picture{Next: g.Next, Done: g.Done, Asked: g.Asked} }
