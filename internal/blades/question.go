package blades

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Question is a reading that looks wrong. The person reads again and either
// corrects or confirms it; nothing is averaged away meanwhile.
type Question struct {
	Blade   int
	Kind    Kind
	Value   float64 // as read
	Suggest float64 // what a common slip would make of it; NaN = no idea
	Blocks  bool    // no advice is given before it is answered
	Code    string
	Text    string
}

// question looks for missing blades, repeats that disagree and values that a
// common slip would explain.
func (s *Survey) question(c *Column, k Kind, per [][]Reading) (asks []Question) {
	med, spread := middle(c.Value)
	far, odd := s.plausible(k, med, spread)
	for i, rs := range per {
		if len(rs) == 0 {
			asks = append(asks, Question{Blade: i + 1, Kind: k, Value: math.NaN(), Suggest: math.NaN(), Blocks: true, Code: "blade-missing",
				Text: fmt.Sprintf("Blade %d has no %s reading, so the first harmonic cannot be known: read this blade.", i+1, k)})
			continue
		}
		if q, bad := disagree(i+1, k, rs, c.Repeat, s.prior(k, &Column{Value: c.Value})); bad {
			c.Value[i], c.Given = math.NaN(), false
			asks = append(asks, q)
			continue
		}
		v := c.Value[i]
		d := math.Abs(v - med)
		if d <= odd || confirmed(rs) || (d <= far && len(rs) > 1) {
			continue
		}
		asks = append(asks, odds(i+1, k, v, med, max(odd, 3*spread), d > far))
	}
	return asks
}

func confirmed(rs []Reading) bool {
	return slices.ContainsFunc(rs, func(r Reading) bool { return r.Confirmed })
}

// middle is the median and the robust standard deviation (1.4826 times the
// median absolute deviation).
func middle(v []float64) (med, spread float64) {
	var have []float64
	for _, x := range v {
		if !math.IsNaN(x) {
			have = append(have, x)
		}
	}
	med = median(have)
	for i := range have {
		have[i] = math.Abs(have[i] - med)
	}
	return med, 1.4826 * median(have)
}

func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return (v[n/2-1] + v[n/2]) / 2
}

// plausible gives two distances from the median: beyond far a value cannot be
// a blade that still runs, beyond odd it deserves a second look. Common
// practice, no source: 5 % of the tip radius, 15 degrees, half the mass.
func (s *Survey) plausible(k Kind, med, spread float64) (far, odd float64) {
	switch k {
	case Leading, Trailing, Depth:
		far = max(10*mm, 0.05*s.TipRadius)
		odd = max(6*spread, 2*mm)
	case Incline:
		far, odd = 15*degree, max(6*spread, 2*degree)
	default:
		far, odd = math.Abs(med)/2, max(6*spread, 0.02*math.Abs(med))
	}
	return far, min(far, odd)
}

// disagree finds repeats of one blade that cannot be the same place: with
// several, their scatter against the repeatability of all; with two, against
// what was stated or assumed.
func disagree(blade int, k Kind, rs []Reading, pooled, prior float64) (Question, bool) {
	lo, hi := rs[0].Value, rs[0].Value
	for _, r := range rs {
		lo, hi = min(lo, r.Value), max(hi, r.Value)
	}
	limit := 6 * prior
	if pooled < prior {
		limit = 6 * max(pooled, prior/2)
	}
	if hi-lo <= limit {
		return Question{}, false
	}
	a, u := show(k, lo)
	b, _ := show(k, hi)
	return Question{Blade: blade, Kind: k, Value: hi, Suggest: math.NaN(), Blocks: true, Code: "repeats-disagree",
		Text: fmt.Sprintf("Blade %d: repeats of the %s read from %s to %s %s, which is more than reading error, so they are not averaged: was one of them another blade or another place? Read it again.", blade, k, a, b, u)}, true
}

// odds asks about a value that stands far from the others, and offers the slip
// that would bring it back.
func odds(blade int, k Kind, v, med, near float64, blocks bool) Question {
	q := Question{Blade: blade, Kind: k, Value: v, Blocks: blocks, Code: "reading-odd"}
	num, unit := show(k, v)
	m, _ := show(k, med)
	what := ""
	q.Suggest, what = slip(k, v, med, near)
	q.Text = fmt.Sprintf("Blade %d: the %s reads %s %s while the others stand about %s", blade, k, num, unit, m)
	if what != "" {
		sug, _ := show(k, q.Suggest)
		q.Text += fmt.Sprintf("; %s it would be %s %s", what, sug, unit)
	}
	q.Text += ". Read this blade again, and confirm the value if it stands."
	if blocks {
		q.Text += " No blade should be moved on this reading."
	}
	return q
}

// slip finds the common mistake that brings v nearest to the rest.
func slip(k Kind, v, med, near float64) (float64, string) {
	best, what := math.NaN(), ""
	try := func(x float64, why string) {
		if d := math.Abs(x - med); d <= near && (math.IsNaN(best) || d < math.Abs(best-med)-1e-12) {
			best, what = x, why
		}
	}
	switch k {
	case Leading, Trailing, Depth:
		try(v*25.4, "if it was read in inches")
		try(v/25.4, "if it was taken for inches")
	case Incline:
		try(math.Pi/2-v, "if the angle was taken from the shaft instead of the plane of rotation,")
		try(-v, "with the other sign")
	}
	try(v/10, "with one digit less")
	try(v*10, "with one digit more")
	try(v/100, "with two digits less")
	for _, x := range oneDigitLess(k, v) {
		try(x, "with one digit less")
	}
	return best, what
}

// oneDigitLess strikes out each digit in turn.
func oneDigitLess(k Kind, v float64) (out []float64) {
	num, _ := show(k, v)
	for i, c := range num {
		if c < '0' || c > '9' {
			continue
		}
		if x, err := strconv.ParseFloat(num[:i]+num[i+1:], 64); err == nil {
			out = append(out, x/k.PerSI())
		}
	}
	return out
}

func edgeQuestion(blade int, rise, chord float64) Question {
	return Question{Blade: blade, Kind: Trailing, Value: rise, Suggest: math.NaN(), Blocks: true, Code: "edges-impossible",
		Text: fmt.Sprintf("Blade %d: the edges stand %.1f mm apart along the shaft but the chord is only %.1f mm: read both edges again, and check the chord and its unit.", blade, math.Abs(rise)/mm, chord/mm)}
}

// show prints a value in people's unit.
func show(k Kind, v float64) (number, unit string) {
	number = strconv.FormatFloat(v*k.PerSI(), 'f', 2, 64)
	number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	if number == "-0" {
		number = "0"
	}
	return number, k.Unit()
}
