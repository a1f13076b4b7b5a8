package casefile

import (
	"math"
	"strconv"
	"strings"
)

// figure writes a number with four significant digits and no exponent, and what
// is nothing but rounding as 0.
func figure(x float64) string { return digits(x, 4, 1e-9) }

// grams writes a mass in g: nothing below a millionth of a gram.
func grams(g float64) string { return digits(g, 4, 1e-6) }

func digits(x float64, n int, none float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "unknown"
	}
	if x == 0 || math.Abs(x) < none {
		return "0"
	}
	s := strconv.FormatFloat(x, 'f', max(0, n-1-int(math.Floor(math.Log10(math.Abs(x))))), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// residual writes an amplitude beside the largest one of the case: what is below
// a billionth of it is rounding.
func residual(x, largest float64) string {
	if math.Abs(x) < 1e-9*largest {
		return "0"
	}
	return digits(x, 3, 0)
}

func listed(parts []string) string {
	if n := len(parts); n > 1 {
		return strings.Join(parts[:n-1], ", ") + " and " + parts[n-1]
	}
	return strings.Join(parts, "")
}
