package web

import (
	"math"
	"strconv"
)

// Amount is a number for people: digits chosen by its uncertainty.
type Amount struct {
	Value *float64 `json:"value"` // null where it is not known
	Text  string   `json:"text"`
	Error string   `json:"error,omitempty"` // half-width of the 95 % region; empty = none known
	Unit  string   `json:"unit,omitempty"`
}

const unknownText = "–"

// measured rounds the uncertainty to one digit (two where it begins with 1)
// and the value to the same place.
func measured(v, half float64, unit string) Amount {
	if !finite(v) {
		return unknown(unit)
	}
	if !(half > 0) || math.IsInf(half, 0) {
		return plain(v, 3, unit)
	}
	d := places(half)
	return Amount{Value: &v, Text: fixed(v, d), Error: fixed(half, d), Unit: unit}
}

// plain shows a number without known uncertainty to so many significant digits.
func plain(v float64, digits int, unit string) Amount {
	if !finite(v) {
		return unknown(unit)
	}
	d := 0
	if v != 0 {
		d = digits - 1 - int(math.Floor(math.Log10(math.Abs(v))))
	}
	return Amount{Value: &v, Text: fixed(v, min(max(d, 0), 6)), Unit: unit}
}

func unknown(unit string) Amount { return Amount{Text: unknownText, Unit: unit} }

// places is the number of decimals that an uncertainty leaves meaningful.
func places(half float64) int {
	e := math.Floor(math.Log10(half))
	d := -int(e)
	if half/math.Pow(10, e) < 1.95 {
		d++
	}
	return min(max(d, 0), 6)
}

func fixed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if f, _ := strconv.ParseFloat(s, 64); f == 0 && s[0] == '-' {
		return s[1:] // no minus zero
	}
	return s
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// orNil keeps NaN and infinity out of JSON, which has no word for them.
func orNil(v float64) *float64 {
	if !finite(v) {
		return nil
	}
	return &v
}
