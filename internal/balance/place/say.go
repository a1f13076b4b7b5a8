package place

import (
	"fmt"
	"math"
)

// grams writes a mass in kg for people.
func grams(kg float64) string {
	g := kg * 1e3
	switch {
	case math.IsInf(g, 0):
		return "any mass"
	case math.Abs(g) < 10:
		return fmt.Sprintf("%.2f g", g)
	case math.Abs(g) < 1000:
		return fmt.Sprintf("%.1f g", g)
	}
	return fmt.Sprintf("%.0f g", g)
}

func count(n int) string {
	if n == 1 {
		return "1 weight"
	}
	return fmt.Sprintf("%d weights", n)
}
