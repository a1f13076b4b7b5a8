package place

import (
	"fmt"
	"math/cmplx"
	"strings"
)

// Words writes a placement as short sentences, one a line, that can be read over
// a radio: every number is said digit by digit too, and the list ends with a
// count to read back. The first line is Caution, the second says where to stand.
func (p Placement) Words(v View) ([]string, error) { return p.words(v, said) }

// Plain writes what Words does for eyes and for a voice that reads a page aloud:
// a number stands once.
func (p Placement) Plain(v View) ([]string, error) { return p.words(v, once) }

// Todo is what there is to do, one short sentence for each weight.
func (p Placement) Todo(v View) (out []string) {
	for _, f := range p.Removed {
		out = append(out, fmt.Sprintf("Take %s off place %d.", grams(f.Mass), f.Position))
	}
	for _, q := range p.Placed {
		at := fmt.Sprintf("%s°, %s", degrees(v.Convention.Degrees(q.Angle)), oclock(v.clock(q.Angle)))
		if q.Number > 0 {
			at = fmt.Sprintf("place %d (%s)", q.Number, at)
		} else if q.Radius > 0 {
			at += fmt.Sprintf(", radius %s mm", millimetres(q.Radius))
		}
		out = append(out, fmt.Sprintf("Put %s at %s%s.", grams(q.Mass), at, q.parts()))
	}
	if out == nil {
		out = []string{nothing}
	}
	return out
}

const nothing = "Nothing is to be put on or taken off."

// number writes a number that is already rounded; said and once are such.
type number func(string) string

func (p Placement) words(v View, say number) ([]string, error) {
	if err := v.check(); err != nil {
		return nil, err
	}
	out := []string{
		Caution,
		v.stand(p.Plane),
	}
	for _, f := range p.Removed {
		out = append(out, fmt.Sprintf("Take off: place %s, the weight of %s.", say(fmt.Sprint(f.Position)), say.grams(f.Mass)))
	}
	for _, q := range p.Placed {
		out = append(out, q.words(v, say))
	}
	if len(p.Placed)+len(p.Removed) == 0 {
		out = append(out, nothing)
	} else {
		out = append(out, fmt.Sprintf("In all: put on %s at %s, together %s; take off %s. Read back.",
			count(pieces(p.Placed)), countPlaces(len(p.Placed)), say.grams(p.Mass()), count(len(p.Removed))))
	}
	stays := "What stays after this: " + grams(cmplx.Abs(p.Residual)) + " of the correction"
	if !p.Reached {
		stays += ", more than was wanted"
	}
	return append(out, stays+"."), nil
}

// Words writes a hole to drill as Placement.Words does a weight.
func (h Hole) Words(plane string, v View) ([]string, error) {
	if err := v.check(); err != nil {
		return nil, err
	}
	holes := "one hole"
	if h.Holes > 1 {
		holes = fmt.Sprintf("%d holes side by side, each", h.Holes)
	}
	return []string{
		Caution,
		v.stand(plane),
		fmt.Sprintf("Drill, only where the maker allows it, never a blade or a stressed hub: %s %s millimetres deep to the tip, towards the shaft, at %s degrees, %s; together %s come out. Read back.",
			holes, said(fmt.Sprintf("%.1f", h.Depth*1e3)), said(degrees(v.Convention.Degrees(h.Angle))), oclock(v.clock(h.Angle)), number(said).grams(h.Mass)),
	}, nil
}

func (v View) stand(plane string) string {
	return fmt.Sprintf("%s. Stand at %s. Seen from there the rotor turns %s. Turn it by hand until the mark is at 12 o'clock; then %s. Degrees are counted %s.",
		title(plane), v.From, v.turns(), v.blade1(), v.counted())
}

func (q Placed) words(v View, say number) string {
	where := "a free angle"
	if q.Number > 0 {
		where = "place " + say(fmt.Sprint(q.Number))
	}
	s := fmt.Sprintf("Put on: %s, %s, at %s degrees, %s", where, say.grams(q.Mass), say(degrees(v.Convention.Degrees(q.Angle))), oclock(v.clock(q.Angle)))
	if q.Radius > 0 {
		s += ", radius " + say(millimetres(q.Radius)) + " millimetres"
	}
	return s + q.parts() + "."
}

func millimetres(m float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", m*1e3), ".0") }

// parts says of which weights the mass is made; empty where it is one.
func (q Placed) parts() string {
	var parts []string
	for _, w := range q.Pieces {
		part := grams(w.Mass)
		switch {
		case w.From > 0:
			part += fmt.Sprintf(" from place %d", w.From)
		case w.Cut:
			part += " cut to size"
		}
		if part != grams(q.Mass) {
			parts = append(parts, part)
		}
	}
	if parts == nil {
		return ""
	}
	return ", made of " + strings.Join(parts, " and ")
}

func pieces(qs []Placed) (n int) {
	for _, q := range qs {
		n += len(q.Pieces)
	}
	return n
}

func countPlaces(n int) string {
	if n == 1 {
		return "1 place"
	}
	return fmt.Sprintf("%d places", n)
}

func title(plane string) string {
	if plane == "" {
		return "Correction plane"
	}
	return "Plane " + plane
}

// said writes a number and says it digit by digit.
func said(number string) string {
	if len(number) == 1 {
		return number
	}
	return number + " (" + spell(number) + ")"
}

// once writes a number as it is.
func once(number string) string { return number }

// grams writes a mass (kg). Over a radio the unit comes before the digits, so
// that nobody takes them for another number.
func (say number) grams(kg float64) string {
	s := strings.TrimSuffix(grams(kg), " g")
	return s + " grams" + strings.TrimPrefix(say(s), s)
}

func spell(number string) string {
	names := map[rune]string{'0': "zero", '1': "one", '2': "two", '3': "three", '4': "four", '5': "five",
		'6': "six", '7': "seven", '8': "eight", '9': "nine", '.': "decimal", '-': "minus"}
	var out []string
	for _, r := range number {
		out = append(out, names[r])
	}
	return strings.Join(out, " ")
}
