package check

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
)

// view is one channel's record with what is needed more than once.
type view struct {
	acq.Channel
	x       []float32
	rate    float64
	mean    float64
	rms     float64 // without the mean
	density []float64
	step    float64 // Hz of a line of density
}

const (
	shortest  = 256 // samples, below which nothing is judged
	blockTime = 4.0 // s of a block of the density
)

func look(c acq.Channel, x []float32, rate float64) (*view, bool) {
	v := &view{Channel: c, x: x, rate: rate}
	if len(x) < shortest {
		return v, false
	}
	wide := make([]float64, len(x))
	for i, s := range x {
		wide[i] = float64(s)
		v.mean += wide[i] / float64(len(x))
	}
	for _, s := range wide {
		v.rms += (s - v.mean) * (s - v.mean) / float64(len(x))
	}
	v.rms = math.Sqrt(v.rms)
	block := min(int(blockTime*rate), len(x)/2) &^ 1
	d, hz, err := spectrum.Offline(wide, rate, block)
	if err != nil || len(hz) < 8 {
		return v, false
	}
	v.density, v.step = d, hz[1]-hz[0]
	return v, true
}

// beside is the median density in a band, with the surroundings of the orders of
// hz left out: a median ignores a few lines, and 0.69 is the median of what
// scatters like a power over its mean; averaging has brought it near 1.
func (v *view) beside(low, high float64) float64 {
	var d []float64
	for i := max(2, int(low/v.step)); i <= int(high/v.step) && i < len(v.density); i++ {
		d = append(d, v.density[i])
	}
	if len(d) == 0 {
		return math.NaN()
	}
	return median(d)
}

// tone is the peak amplitude in a narrow band, noise taken off.
func (v *view) tone(hz float64) (peak, noise float64) {
	floor := v.beside(hz*0.8, hz*1.2)
	wide := max(0.25, 0.01*hz) + 2*v.step
	power, lines := 0.0, 0.0
	for i := max(2, int((hz-wide)/v.step)); i <= int((hz+wide)/v.step+1) && i < len(v.density); i++ {
		power += v.density[i] * v.step
		lines++
	}
	noise = math.Sqrt(2 * floor * v.step * lines)
	return math.Sqrt(max(0, 2*power-noise*noise)), noise
}

func (x *Examiner) channel(p *Page, i int, samples []float32, omega float64) {
	c := x.setup.Channels[i]
	v, ok := look(c, samples, x.setup.Rate)
	switch {
	case !ok:
		p.add("record", c.Name, Open, float64(len(samples)), "", fmt.Sprintf("No stretch without a gap is long enough: %d samples.", len(samples)), "Mend the link first, or check for longer.")
		return
	case slices.Min(v.x) == slices.Max(v.x):
		p.add("dead", c.Name, Unfit, 0, "", "The channel delivers a constant.", "Look at its cable, its supply and its pin.")
		return
	}
	v.clipping(p)
	v.codes(p)
	first := x.first1x(p, v, i, omega)
	v.dither(p, first)
	v.mains(p, omega, first)
	v.drift(p)
	v.loose(p, omega, first)
}

func (v *view) clipping(p *Page) {
	low, high := slices.Min(v.x), slices.Max(v.x)
	n := 0
	if v.FullScale > 0 {
		for _, s := range v.x {
			if math.Abs(float64(s)) >= v.FullScale-0.5*v.Step {
				n++
			}
		}
	} else { // unknown: the same extreme three times in a row is a flat top
		run := 0
		for k, s := range v.x {
			if k > 0 && s == v.x[k-1] && (s == low || s == high) {
				if run++; run >= 2 {
					n++
				}
			} else {
				run = 0
			}
		}
	}
	share := float64(n) / float64(len(v.x))
	p.add("clipping", v.Name, worse(share, 0, clipUnfit), share, "", fmt.Sprintf("%d of %d samples are clipped.", n, len(v.x)),
		"Less gain, or a sensor of wider range; look whether the channel rests in the middle of its range.")
}

// codes looks for codes of the converter that never came within the range in use.
func (v *view) codes(p *Page) {
	if !(v.Step > 0) {
		return
	}
	code := make([]int, len(v.x))
	for i, s := range v.x {
		code[i] = int(math.Round(float64(s) / v.Step))
	}
	slices.Sort(code)
	low, high := code[len(code)/50], code[len(code)-1-len(code)/50]
	wide := high - low + 1
	if wide < 8 || len(code) < 20*wide {
		return // too few samples for every code: a converter so fine has other troubles
	}
	missing, run, longest := 0, 0, 0
	for k, at := low, 0; k <= high; k++ {
		for at < len(code) && code[at] < k {
			at++
		}
		if at < len(code) && code[at] == k {
			run = 0
			continue
		}
		missing++
		run++
		longest = max(longest, run)
	}
	share := float64(missing) / float64(wide)
	text := fmt.Sprintf("%d of the %d codes in use never came.", missing, wide)
	if share >= missingUnfit && longest&(longest-1) == 0 {
		text += fmt.Sprintf(" They lie in groups of %d, as with a bit that is stuck (value %d).", longest, longest)
	}
	p.add("codes", v.Name, worse(share, missingNote, missingUnfit), share, "", text, "A stuck bit or a damaged converter: read every bit of the result in the right order and width; else exchange the board.")
}

// first1x judges the noise beside 1x and returns the 1x amplitude in the channel's unit.
func (x *Examiner) first1x(p *Page, v *view, i int, omega float64) float64 {
	if !(omega > 0) {
		p.add("noise", v.Name, Open, math.NaN(), "mm/s", "Without a speed the noise at 1x cannot be told.", "Let it turn, or say --speed.")
		return 0
	}
	hz := omega / (2 * math.Pi)
	floor := v.beside(0.7*hz, 0.93*hz)
	if other := v.beside(1.07*hz, 1.3*hz); !(floor >= other) {
		floor = other
	}
	// Noise alone has sqrt(density/T) on each axis of the peak phasor of a
	// reading of T seconds, which is also the rms of what it alone would read.
	// Where turns were accepted their own scatter tells it better: a speed that
	// wanders spreads 1x over the lines beside it, but not over the turns.
	first, axis := 0.0, math.Sqrt(floor/noiseSeconds)
	if r := x.average.Reading(); r.Turns >= 32 && i < len(r.Channels) {
		if o, ok := r.In(i, 1, v.Quantity); ok {
			first, axis = o.Amplitude(), o.StandardError()*math.Sqrt(r.Seconds/noiseSeconds)
		}
	} else {
		first, _ = v.tone(hz)
	}
	factor, err := rotor.Convert(1, v.Quantity, rotor.Velocity, omega)
	if err != nil {
		p.add("noise", v.Name, Open, math.NaN(), "mm/s", "The channel has no unit, so its noise cannot be told in mm/s.", "Say unit= and scale= in the SOURCE word.")
		return first
	}
	se := axis * cmplx.Abs(factor)
	least := coverage95 * se // m/s peak
	text := fmt.Sprintf("Noise at 1x (%.1f Hz): %.4f mm/s rms in a reading of %d s, the machine's own roughness included; 1x is %.3f mm/s rms.",
		hz, 1e3*se, noiseSeconds, 1e3*first*cmplx.Abs(factor)*rotor.RMS.OfPeak())
	// A free body of mass m answers an unbalance U with U/m, so v = omega U/m:
	// what a soft support comes near to above its resonance.
	perKg := least / omega // kg m per kg
	if !(x.m.Mass > 0) {
		p.add("noise", v.Name, OK, 1e3*se, "mm/s", text+fmt.Sprintf(" Smallest unbalance seen: %.2g g mm per kg of moving mass on a soft support.", perKg*1e6), "")
		return first
	}
	seen := perKg * x.m.Mass
	text += fmt.Sprintf(" Smallest unbalance seen on %.3g kg on a soft support: %.3g g mm", x.m.Mass, seen*1e6)
	verdict := OK
	if x.m.Grade > 0 {
		may := rotor.PermissibleUnbalance(x.m.Grade, x.m.Mass, omega)
		text += fmt.Sprintf("; permissible: %.3g g mm", may*1e6)
		verdict = worse(seen*permissibleTo, may, may*permissibleTo)
	}
	p.add("noise", v.Name, verdict, 1e3*se, "mm/s", text+".", "More gain before the converter, a quieter sensor, a stiffer mounting, a longer reading; on a stiff support the same unbalance shows less.")
	return first
}

// dither: a signal of few steps reads wrong by tens of per cent unless noise
// spreads it over the steps.
func (v *view) dither(p *Page, first float64) {
	if !(v.Step > 0) {
		return
	}
	floor := v.beside(0.05*v.rate, 0.45*v.rate) * v.rate / 2 / (v.Step * v.Step)
	noise := math.Sqrt(max(0, floor-1.0/12)) // rounding itself has a twelfth
	steps := first / v.Step
	verdict := OK
	if noise < ditherWanted && steps < smallSignal {
		verdict = Note
		if steps < 2 {
			verdict = Unfit
		}
	}
	p.add("dither", v.Name, verdict, noise, "steps", fmt.Sprintf("1x spans +-%.1f steps of the converter, noise %.2f steps rms.", steps, noise),
		"More gain in front of the converter, so that 1x spans 20 steps or more; else half a step of noise.")
}

func (v *view) mains(p *Page, omega, first float64) {
	fan := omega / (2 * math.Pi)
	worst, at, ratio := 0.0, 0.0, 0.0
	for _, hz := range []float64{50, 60, 100, 120, 150, 180} {
		if hz > 0.45*v.rate {
			continue
		}
		if order := math.Round(hz / max(fan, 1e-3)); fan > 0 && order >= 1 && math.Abs(hz-order*fan) < 1+0.01*hz {
			continue // cannot be told from an order
		}
		if a, noise := v.tone(hz); a > mainsClear*noise && a > worst {
			worst, at, ratio = a, hz, a/max(first, 1e-30)
		}
	}
	verdict := OK
	text := "No mains frequency stands out (those near an order of the rotor cannot be told)."
	if worst > 0 {
		text = fmt.Sprintf("%.0f Hz stands out with %.3g of 1x.", at, ratio)
		if verdict = worse(ratio, mainsShare, math.Inf(1)); verdict == Note && v.FullScale > 0 && worst > v.FullScale/2 {
			verdict = Unfit
		}
	}
	p.add("mains", v.Name, verdict, ratio, "", text,
		"50 or 60 Hz: a ground loop or an open screen; ground the screen at one end, twist the wires, keep away from the motor cable. 100 or 120 Hz may be the motor's own pull: it goes at once when the supply is cut.")
}

func (v *view) drift(p *Page) {
	third := len(v.x) / 3
	mean := func(s []float32) (m float64) {
		for _, k := range s {
			m += float64(k) / float64(len(s))
		}
		return m
	}
	moved := mean(v.x[len(v.x)-third:]) - mean(v.x[:third])
	if !(v.FullScale > 0) {
		p.add("drift", v.Name, OK, moved, "", fmt.Sprintf("The rest value moved by %.3g between the first and the last third.", moved), "")
		return
	}
	rel, off := math.Abs(moved)/v.FullScale, math.Abs(v.mean)/v.FullScale
	verdict := worse(max(rel/driftNote, off/offsetNote), 1, math.Inf(1))
	p.add("drift", v.Name, verdict, moved/v.FullScale, "", fmt.Sprintf("Rests at %.1f %% of full scale; moved by %.2f %% between the first and the last third.", 100*v.mean/v.FullScale, 100*moved/v.FullScale),
		"Let the sensor warm up and its AC coupling settle; an offset eats range: check the bias voltage.")
}

// loose looks for what a sensor that rattles does: half orders and blows.
func (v *view) loose(p *Page, omega, first float64) {
	if !(omega > 0) || !(first > 0) {
		return
	}
	hz := omega / (2 * math.Pi)
	half := 0.0
	for _, k := range []float64{0.5, 1.5, 2.5} {
		if a, noise := v.tone(k * hz); a > mainsClear*noise {
			half = max(half, a)
		}
	}
	var m4 float64
	for _, s := range v.x {
		d := (float64(s) - v.mean) / v.rms
		m4 += d * d * d * d / float64(len(v.x))
	}
	verdict := OK
	if half/first > halfOrders || m4 > impulsive {
		verdict = Note
	}
	p.add("loose", v.Name, verdict, m4, "kurtosis", fmt.Sprintf("Half orders reach %.2f of 1x, kurtosis %.1f.", half/first, m4),
		"Signs of a loose sensor (or a loose foot, a rub, a bad bearing): fasten it on bare metal, stud or strong magnet, no paint, no bracket; tie the cable; then check again.")
}
