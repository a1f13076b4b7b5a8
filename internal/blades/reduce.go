package blades

import (
	"math"
)

// Column is one quantity over all blades.
type Column struct {
	Given  bool      // there is one value for every blade
	Value  []float64 // NaN where a blade has none
	SD     []float64 // standard deviation of each value
	Repeat float64   // standard deviation of a single reading
	DoF    int       // degrees of freedom of Repeat; 0 = stated or assumed
	Basis  string    // "repeats", "stated" or "assumed"
}

// Errors assumed of a reading where nothing was stated or repeated: a ruler
// read to half a millimetre by a gloved hand, a simple inclinometer. Common
// practice, no source.
const (
	AssumedDepthSD = 0.3 * mm
	AssumedAngleSD = 0.3 * degree
	assumedMassSD  = 0.002 // relative, a kitchen or parcel scale
)

// Geometry is the survey per blade: track (m, + downstream), pitch (rad), mass
// (kg) and moment weight (kg m).
type Geometry struct {
	Track, Pitch, Mass, Moment Column
	OneEdge                    bool // track comes from one edge only, so pitch is mixed into it
}

// Reduce turns readings into one value per blade and quantity, with their
// uncertainty, and asks about the readings that look wrong. A blade whose
// reading is missing or impossible keeps NaN.
func Reduce(s *Survey) (Geometry, []Question, error) {
	if err := s.check(); err != nil {
		return Geometry{}, nil, err
	}
	var cols [kinds]Column
	var asks []Question
	for k := range kinds {
		c, q := s.column(k)
		cols[k], asks = c, append(asks, q...)
	}
	g := Geometry{Mass: cols[Mass], Moment: cols[Moment]}
	q := s.edges(&g, cols)
	return g, append(asks, q...), nil
}

// column averages the repeats of one kind.
func (s *Survey) column(k Kind) (Column, []Question) {
	c := Column{Value: make([]float64, s.Blades), SD: make([]float64, s.Blades)}
	per := make([][]Reading, s.Blades)
	for _, r := range s.Readings {
		if r.Kind == k {
			per[r.Blade-1] = append(per[r.Blade-1], r)
		}
	}
	any := false
	for i, rs := range per {
		c.Value[i] = math.NaN()
		if len(rs) > 0 {
			any = true
			c.Value[i] = mean(rs)
		}
	}
	if !any {
		return c, nil
	}
	s.repeatability(&c, k, per)
	c.Given = true
	for i, rs := range per {
		c.SD[i] = c.Repeat / math.Sqrt(float64(max(1, len(rs))))
		c.Given = c.Given && len(rs) > 0
	}
	return c, s.question(&c, k, per)
}

func mean(rs []Reading) float64 {
	sum := 0.0
	for _, r := range rs {
		sum += r.Value
	}
	return sum / float64(len(rs))
}

// repeatability pools the scatter of repeats over the blades. Few repeats say
// little, so they are weighed with the stated or assumed figure as if that had
// come from four degrees of freedom.
func (s *Survey) repeatability(c *Column, k Kind, per [][]Reading) {
	stated := s.prior(k, c)
	ss, dof := 0.0, 0
	for i, rs := range per {
		for _, r := range rs {
			d := r.Value - c.Value[i]
			ss += d * d
		}
		dof += max(0, len(rs)-1)
	}
	c.Repeat, c.DoF = stated, dof
	if dof > 0 {
		const weight = 4
		c.Repeat = math.Sqrt((ss + weight*stated*stated) / float64(dof+weight))
		c.Basis = "repeats"
	}
}

// prior is the error of one reading before repeats are looked at.
func (s *Survey) prior(k Kind, c *Column) float64 {
	stated, assumed := 0.0, 0.0
	switch k {
	case Leading, Trailing, Depth:
		stated, assumed = s.DepthSD, AssumedDepthSD
	case Incline:
		stated, assumed = s.AngleSD, AssumedAngleSD
	default:
		for _, v := range c.Value {
			if !math.IsNaN(v) {
				assumed = max(assumed, assumedMassSD*math.Abs(v))
			}
		}
	}
	c.Basis = "assumed"
	if stated > 0 {
		c.Basis = "stated"
		return stated
	}
	return assumed
}

// edges makes track and pitch from the depths and angles.
func (s *Survey) edges(g *Geometry, c [kinds]Column) (asks []Question) {
	le, te := c[Leading], c[Trailing]
	two, sign := le.Basis != "" && te.Basis != "", s.Side.Sign()
	g.Track, g.Pitch = blank(s.Blades), c[Incline]
	switch {
	case two:
		g.Track = combine(le, te, sign)
		if g.Pitch.Basis == "" && s.Chord > 0 {
			g.Pitch, asks = s.pitchOfEdges(le, te)
		}
	case c[Depth].Basis != "":
		g.Track = scaled(c[Depth], sign)
	case le.Basis != "":
		g.Track, g.OneEdge = scaled(le, sign), true
	case te.Basis != "":
		g.Track, g.OneEdge = scaled(te, sign), true
	}
	if g.Pitch.Basis == "" {
		g.Pitch = blank(s.Blades)
	}
	if g.OneEdge && g.Pitch.Given && s.Chord > 0 { // the angle is known after all: bring the edge to the middle of the chord
		half := s.Chord / 2
		if le.Basis == "" {
			half = -half
		}
		for i, b := range g.Pitch.Value {
			g.Track.Value[i] += half * math.Sin(b)
			g.Track.SD[i] = math.Hypot(g.Track.SD[i], half*math.Cos(b)*g.Pitch.SD[i])
		}
		g.OneEdge = false
	}
	return asks
}

func blank(n int) Column {
	c := Column{Value: make([]float64, n), SD: make([]float64, n)}
	for i := range c.Value {
		c.Value[i] = math.NaN()
	}
	return c
}

func scaled(c Column, f float64) Column {
	out := c
	out.Value, out.SD = make([]float64, len(c.Value)), make([]float64, len(c.SD))
	for i := range c.Value {
		out.Value[i], out.SD[i] = f*c.Value[i], math.Abs(f)*c.SD[i]
	}
	out.Repeat *= math.Abs(f)
	return out
}

// combine is the middle of the two edges. For equal errors of reading it is
// independent of their difference, hence of the pitch.
func combine(le, te Column, sign float64) Column {
	out := scaled(le, sign)
	for i := range out.Value {
		out.Value[i] = sign * (le.Value[i] + te.Value[i]) / 2
		out.SD[i] = math.Hypot(le.SD[i], te.SD[i]) / 2
	}
	out.Given = le.Given && te.Given
	out.Repeat, out.DoF = math.Hypot(le.Repeat, te.Repeat)/2, le.DoF+te.DoF
	return out
}

// pitchOfEdges is asin((trailing - leading)/chord) with both along +z.
func (s *Survey) pitchOfEdges(le, te Column) (Column, []Question) {
	out := scaled(le, 1)
	out.Given = le.Given && te.Given
	out.Repeat, out.DoF = math.Hypot(le.Repeat, te.Repeat)/s.Chord, le.DoF+te.DoF
	var asks []Question
	for i := range out.Value {
		q := s.Side.Sign() * (te.Value[i] - le.Value[i]) / s.Chord
		if math.Abs(q) > 0.995 {
			asks = append(asks, edgeQuestion(i+1, q*s.Chord, s.Chord))
			out.Value[i], out.Given = math.NaN(), false
			continue
		}
		out.Value[i] = math.Asin(q) // NaN stays NaN
		out.SD[i] = math.Hypot(le.SD[i], te.SD[i]) / (s.Chord * math.Cos(out.Value[i]))
	}
	return out, asks
}
