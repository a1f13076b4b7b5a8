package check

import (
	"fmt"
	"math"
)

// skew compares channels that see the same motion: the slope of the phase
// between them over frequency is a time.
func (x *Examiner) skew(p *Page, rec [][]float32, omega float64) {
	if !x.m.SamePoint {
		p.add("skew", "channels", Open, math.NaN(), "us", "The delay between channels was not measured; what the board states is used.",
			"counterpoise delays SOURCE measures it; or put all sensors on one point and check again with --same-point.")
		return
	}
	for c := 1; c < len(rec); c++ {
		name, first := x.setup.Channels[c].Name, x.setup.Channels[0].Name
		seen, ok := shiftOf(rec[0], rec[c], x.setup.Rate)
		if !ok {
			p.add("skew", name, Unfit, math.NaN(), "us", fmt.Sprintf("%s does not show what %s shows.", name, first), "Are both at the same point, in the same direction, both alive?")
			continue
		}
		extra := seen.Seconds - (x.setup.Channels[c].Delay - x.setup.Channels[0].Delay)
		verdict := worse(math.Abs(extra), skewNote, math.Inf(1))
		text := fmt.Sprintf("Lags %s by %.1f us more than the board states, %.2f degrees at 1x.", first, extra*1e6, extra*omega*180/math.Pi)
		remedy := fmt.Sprintf("Measure it with counterpoise delays and keep it: delay_us of the channel in station.toml, or delay.%s= in the SOURCE word (seconds, the whole lag).", name)
		if seen.Inverted {
			verdict, text, remedy = Unfit, fmt.Sprintf("%s shows what %s shows upside down. ", name, first)+text, "Turn the sensor round, or swap its two wires, or say scale."+name+"=-1."
		}
		p.add("skew", name, verdict, extra*1e6, "us", text, remedy)
	}
}

// struck is the crest factor from which a record holds a blow: noise reaches 5
// in 100,000 samples, a sine 1.4.
const struck = 6

// tapped tells whether the blow came where it should: on the channel whose
// highest sample stands out most from its own rms, however much it vibrates.
func (x *Examiner) tapped(p *Page, rec [][]float32) {
	best, most := "", 0.0
	known := false
	for i, s := range rec {
		name := x.setup.Channels[i].Name
		known = known || name == x.m.Tapped
		v, ok := look(x.setup.Channels[i], s, x.setup.Rate)
		if !ok {
			continue
		}
		peak := 0.0
		for _, k := range s {
			peak = max(peak, math.Abs(float64(k)-v.mean)/v.rms)
		}
		if peak > most {
			best, most = name, peak
		}
	}
	switch {
	case !known:
		p.add("tap", x.m.Tapped, Unfit, math.NaN(), "", fmt.Sprintf("There is no channel %q.", x.m.Tapped), "Use the names of this page.")
	case !(most >= struck):
		p.add("tap", x.m.Tapped, Open, most, "", "No tap stands out on any channel.", "Tap with something hard, a few times, while the rotor stands still.")
	case best != x.m.Tapped:
		p.add("tap", x.m.Tapped, Unfit, math.NaN(), "", fmt.Sprintf("The tap on %s arrived on %s: the channels are swapped.", x.m.Tapped, best), "Swap the two plugs, or the names.")
	default:
		p.add("tap", x.m.Tapped, OK, most, "", fmt.Sprintf("The tap on %s arrived there.", best), "")
	}
}
