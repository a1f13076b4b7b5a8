package web

import (
	"math"
	"testing"
)

func TestDigitsFollowTheUncertainty(t *testing.T) {
	for _, c := range []struct {
		v, half   float64
		text, err string
	}{
		{4.8123, 0.0693, "4.81", "0.07"}, {4.8123, 0.012, "4.812", "0.012"}, {4.8123, 0.96, "4.8", "1.0"}, {4.8123, 0.0199, "4.81", "0.02"},
		{123.4, 7, "123", "7"}, {123.4, 70, "123", "70"}, {0.00043, 0.00011, "0.00043", "0.00011"},
		{4.8123, 0, "4.81", ""}, {48.123, 0, "48.1", ""}, {4812.3, 0, "4812", ""}, {0, 0, "0", ""}, {4.8123, math.Inf(1), "4.81", ""},
		{4.8123, math.NaN(), "4.81", ""}, {math.NaN(), 0.1, unknownText, ""}, {math.Inf(-1), 0.1, unknownText, ""},
		{-0.0001, 0.01, "0.000", "0.010"}, {359.98, 0.2, "360.0", "0.2"},
	} {
		a := measured(c.v, c.half, "")
		if a.Text != c.text || a.Error != c.err {
			t.Errorf("%g ± %g reads %s ± %s, want %s ± %s", c.v, c.half, a.Text, a.Error, c.text, c.err)
		}
		if (a.Value == nil) != (c.text == unknownText) {
			t.Errorf("%g has the value %v", c.v, a.Value)
		}
	}
}
