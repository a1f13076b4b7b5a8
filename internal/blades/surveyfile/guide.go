package surveyfile

import "counterpoise/internal/blades"

// Guide tells which blade is read next.
type Guide struct {
	Next    int      `json:"next"` // 0 = all are read
	Read    []string `json:"read"` // what to read there
	Keys    []string `json:"keys"` // the keys of a reading under which that goes
	Done    []int    `json:"done"`
	Asked   []int    `json:"asked"`
	Text    string   `json:"text"`
	Drawing string   `json:"drawing"` // SVG
	Caution []string `json:"cautions"`
}

var keyOf = map[blades.Kind]string{blades.Leading: "leading_mm", blades.Trailing: "trailing_mm", blades.Depth: "track_mm",
	blades.Incline: "pitch_deg", blades.Mass: "mass_g", blades.Moment: "moment_weight_g_mm"}

// Guide leads round the rotor; the file may hold any part of the readings, or
// none yet. anticlockwise is how the rotor turns as seen from the ruler.
func (f *File) Guide(anticlockwise bool) (*Guide, error) {
	s, err := f.begin()
	if err != nil {
		return nil, err
	}
	g, err := s.Guide()
	if err != nil {
		return nil, err
	}
	p := g.Picture()
	if g.Next == 0 { // all are read: the drawing shows which to move
		if r, err := blades.Judge(s); err == nil && r.SurelyOut() {
			for _, m := range r.Advice.Moves {
				p.Move = append(p.Move, m.Blade)
			}
		}
	}
	p.Anticlockwise = anticlockwise
	out := &Guide{Next: g.Next, Read: []string{}, Keys: []string{}, Done: list(g.Done), Asked: list(g.Asked), Text: g.Text, Drawing: s.Drawing(p), Caution: blades.Cautions}
	for _, k := range g.Kinds {
		out.Read = append(out.Read, k.String())
		out.Keys = append(out.Keys, keyOf[k])
	}
	return out, nil
}

// list is never null in JSON.
func list(v []int) []int { return append([]int{}, v...) }
