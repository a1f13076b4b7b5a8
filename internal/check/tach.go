package check

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
)

// tach judges the edges and returns the speed in rad/s, or what was said of it.
func (x *Examiner) tach(p *Page, c acq.Counts) float64 {
	if !x.setup.HasTach {
		p.add("tach", "tach", Unfit, math.NaN(), "", "The source has no tach, so there is no phase.", "Wire a tach, or name its channel with tach=.")
		return x.m.Speed
	}
	x.pulses(p)
	if len(x.edges) < 8 {
		p.add("tach", "tach", Unfit, float64(len(x.edges)), "", fmt.Sprintf("%d tach edges came in %.0f s.", len(x.edges), x.Seconds()),
			"If the rotor turns: is the mark seen (the lamp on the sensor blinks), the gap right, the wire on the right pin? If it stands: check again while it turns at its speed.")
		return x.m.Speed
	}
	drop := x.turns.Dropped()
	turns := x.turns.State().Turns
	share := func(d ...phase.Drop) float64 {
		n := 0.0
		for _, k := range d {
			n += float64(drop[k])
		}
		return n / (n + float64(turns))
	}
	x.accepted(p, drop, turns)
	missed, doubled := share(phase.DropMissed), share(phase.DropDoubled, phase.DropSpurious)
	p.add("tach_missed", "tach", worse(missed, droppedNote, droppedUnfit), missed, "", fmt.Sprintf("%d revolutions with a missing edge, %d accepted.", drop[phase.DropMissed], turns),
		"A larger or brighter mark, less gap, less stray light; a lower threshold.")
	p.add("tach_double", "tach", worse(doubled, droppedNote, droppedUnfit), doubled, "", fmt.Sprintf("%d revolutions with an edge too many, %d accepted; the board rejected %d edges as bounce.", drop[phase.DropDoubled]+drop[phase.DropSpurious], turns, c.TachRejected),
		"One mark alone (cover scratches and screws, matt black beside it), more hysteresis, a screened cable; say pulses= where there are several marks.")
	period, jitter := x.jitter()
	if !(period > 0) {
		return x.m.Speed
	}
	omega := 2 * math.Pi / period
	deg := jitter / period * 360
	p.add("tach_jitter", "tach", worse(deg, jitterNote, jitterUnfit), jitter*1e6, "us",
		fmt.Sprintf("An edge scatters by %.1f us, %.2f degrees at %.0f rpm; over %d turns that leaves %.3f degrees.", jitter*1e6, deg, omega*30/math.Pi, max(1, turns), deg/math.Sqrt(float64(max(1, turns)))),
		"A sharper mark edge, the sensor square to it and fixed, steady speed, a Schmitt trigger in front of the input.")
	return omega
}

// accepted judges how many revolutions could be used, whatever was the matter
// with the others.
func (x *Examiner) accepted(p *Page, drop [phase.NumDrops]uint64, turns uint64) {
	var why []string
	all := turns
	for d, n := range drop {
		if all += n; n > 0 {
			why = append(why, fmt.Sprintf("%d for %s", n, dropWords[d]))
		}
	}
	dropped := 1 - float64(turns)/float64(max(1, all))
	text := fmt.Sprintf("%d revolutions accepted, %d dropped", turns, all-turns)
	if len(why) > 0 {
		text += ": " + strings.Join(why, ", ")
	}
	verdict := worse(dropped, turnsNote, turnsUnfit)
	if turns == 0 {
		verdict = Unfit
	}
	p.add("turns", "tach", verdict, dropped, "", text+".", "Mend what this page says of link and tach; let the speed settle; where neither helps, look at the pulse itself.")
}

var dropWords = [phase.NumDrops]string{
	"a gap in the samples", "a missing edge", "an edge too many", "an edge out of rhythm", "a speed that changed too fast or is out of range", "samples that hold no numbers", "too few samples", "more edges than samples to judge them by",
}

// pulses judges a tach that is sampled like a channel.
func (x *Examiner) pulses(p *Page) {
	if x.pulse == nil {
		return
	}
	u := x.pulse
	way := "rising"
	other := "falling"
	if u.Falling {
		way, other = other, way
	}
	verdict, say := OK, ""
	if u.UpsideDown() {
		verdict, say = Unfit, " That is upside down: the far end of the mark is dated."
	}
	p.add("tach_pulse", "tach", verdict, u.Above, "", fmt.Sprintf("The pulse goes from %.3g to %.3g, threshold %.3g +- %.2g, and lies above it for %.1f %% of the time; the %s edge counts.%s", u.Low, u.High, u.Level, u.Band, 100*u.Above, way, say),
		"Add edge="+other+" to the SOURCE word, or swap the two wires of the tach.")
}

// jitter is the median time of a turn and the scatter of one edge, from the
// third differences of the times of one mark: a steady or slowly changing speed
// leaves them alone, and white scatter s gives them s sqrt(1+9+9+1). The median
// keeps missed and doubled edges out.
func (x *Examiner) jitter() (period, sd float64) {
	n := x.setup.PulsesPerTurn
	var turns, third []float64
	for i := n; i < len(x.edges); i++ {
		if x.edges[i].number == x.edges[i-n].number+uint64(n) {
			turns = append(turns, x.edges[i].at-x.edges[i-n].at)
		}
	}
	if len(turns) < 4 {
		return 0, 0
	}
	period = median(turns)
	for i := 3 * n; i < len(x.edges); i++ {
		if x.edges[i].number == x.edges[i-3*n].number+uint64(3*n) {
			d := x.edges[i].at - 3*x.edges[i-n].at + 3*x.edges[i-2*n].at - x.edges[i-3*n].at
			third = append(third, math.Abs(d))
		}
	}
	if len(third) == 0 {
		return period, 0
	}
	return period, median(third) / 0.6745 / math.Sqrt(20)
}

func median(v []float64) float64 {
	v = slices.Clone(v)
	slices.Sort(v)
	return v[len(v)/2]
}
