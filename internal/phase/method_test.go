package phase

import (
	"math"
	"math/cmplx"
	"testing"
)

// A neighbour that is named or found is removed by the joint fit; one too near
// makes the reading untrusted.
func TestNeighbours(t *testing.T) {
	v := cmplx.Rect(1, 0.4)
	for _, c := range []struct {
		lines float64 // away, in 1/64 of the speed
		named bool
		want  Method
		fatal bool
	}{
		{0.5, true, Taper, true},
		{0.8, true, Joint, false},
		{2, true, Joint, false},
		{2, false, Joint, false},
		{1.2, false, Joint, false},
		{-2, false, Joint, false},
		{6, true, Taper, false},
		{6, false, Taper, false},
	} {
		r := rng(3)
		hz := 25 * (1 + c.lines/64)
		cfg := AverageConfig{Turns: 64}
		if c.named {
			cfg.Neighbours = []Tone{{Name: "the other fan", Hz: hz}}
		}
		x, a := NewExtractor(Config{}), NewAverage(cfg)
		extract(x, record(oneChannel(1747.3), steady(25), 2.7, func(t, th float64) float64 {
			return real(v*cmplx.Rect(1, th)) + math.Cos(2*math.Pi*hz*t+1) + 0.1*r.NormFloat64()
		}), a.Add)
		rd := a.Reading()
		if rd.Method != string(c.want) || rd.Trusted() == c.fatal {
			t.Errorf("%v lines, named %v: %s, trusted %v: %s %v", c.lines, c.named, rd.Method, rd.Trusted(), rd.Why, rd.Flags)
			continue
		}
		o := rd.Channels[0].Orders[0]
		major, _, _ := o.Region95()
		if d := apart(o.Value, v); !c.fatal && (!(d < 0.02) || !(d < major)) {
			t.Errorf("%v lines, named %v: off by %.3g, 95 %% %.3g", c.lines, c.named, d, major)
		}
	}
}
