package poweroff

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// The words of Component.Kind.
const (
	Order      = "order"         // a multiple of the fan's speed
	BladePass  = "blade-pass"    // the same, blades times the speed
	Follows    = "follows-speed" // it follows the fan at a ratio that is no whole number: a belt, a gear, a motor behind one
	Electrical = "electrical"    // gone with the current
	Elsewhere  = "elsewhere"     // it neither vanished nor followed: another machine
	Undecided  = "undecided"
)

// Component is one tone of the steady vibration.
type Component struct {
	Kind      string
	Name      string
	Evidence  string
	Hz        float64 // before switching off, at the mean speed
	HzSD      float64
	Order     float64 // Hz over turns a second
	Channel   string  // that shows it clearest
	Quantity  rotor.Quantity
	Amplitude float64 // peak, SI, before
	Follow    float64 // share of it that followed the speed just after
	Stayed    float64 // share of it that kept its frequency
	Noise     float64 // the share that noise alone would show
}

// Beat is two components so close that they are heard, and read, as one that
// swells and fades.
type Beat struct {
	A, B   string
	Period float64 // s
	Seen   float64 // periods in the steady part of the recording
	Enough bool    // at least three beats, or the joint fit tells them apart
	Widen  float64 // by how much the joint fit widens the error of either
}

// Result is what the switching off told.
type Result struct {
	Off, OffUnsure float64 // s of board time
	Before, After  float64 // s of signal used
	Speed          float64 // rad/s, running
	Components     []Component
	SupplyHz       float64 // from what vanished; 0 = nothing did
	SupplySD       float64
	SupplyName     string
	Slip           float64 // of the motor against SupplyHz; NaN where it is not a plain induction motor's
	Beats          []Beat
	Notes          []string
	cfg            Config
}

const (
	longestBefore = 12.0 // s
	longestAfter  = 6.0
	shortestAfter = 0.6 // s, for which a quick coast-down is followed further down
	mostTones     = 12
	seenAt        = 5.0  // times its noise
	skirt         = 0.08 // of an order: smaller tones within skirtHz of it are its own unrest
	skirtHz       = 1.5
	gone          = 0.25
	kept          = 0.35
	nothing       = 0.12 // of an order: orders do follow as a rule, so that one did not must be plain
	grown         = 4.0
	holdsLow      = 0.6 // of a tone from elsewhere
	holdsHigh     = 1.7
	beatsNeeded   = 3.0
	widenMost     = 1.3
	mostLost      = 0.2 // of a window
)

// Result works the recording out. What cannot be judged comes back as one
// sentence.
func (t *Test) Result() (*Result, error) {
	m, err := t.find()
	if err != nil {
		return nil, err
	}
	c := newCourse(t.turns)
	maxHz := math.Min(t.cfg.MaxHz, t.setup.Rate/2.56)
	wait := math.Min(0.3, math.Max(0.12, 0.15*(m.low-m.off))) + math.Min(m.unsure, 0.3)
	before := t.cut(c, math.Max(m.began, m.off-longestBefore), m.off-0.1-m.unsure, maxHz)
	end := math.Min(m.lower, math.Max(m.low, m.off+wait+shortestAfter))
	after := t.cut(c, m.off+wait, math.Min(end, m.off+wait+longestAfter), maxHz)
	if before.seconds() < leastSteady-1 || after.seconds() < 0.2 {
		return nil, fmt.Errorf("only %.1f s before and %.2g s after the switching off can be used: record from 10 s before until the rotor stands", before.seconds(), after.seconds())
	}
	if t.lost(before) > mostLost || t.lost(after) > mostLost {
		return nil, fmt.Errorf("too many samples were lost around the switching off (%.0f %% before, %.0f %% after): look at the cable and the load of this computer, and record again", 100*t.lost(before), 100*t.lost(after))
	}
	r := &Result{Off: m.off, OffUnsure: m.unsure, Before: before.seconds(), After: after.seconds(), Speed: m.running, Slip: math.NaN(), cfg: t.cfg}
	b := t.steady(before, m.running, maxHz)
	if b == nil {
		return nil, fmt.Errorf("the steady part of the recording could not be fitted: look at the channels for dropouts and clipping")
	}
	r.judge(t, b, after)
	r.supply()
	r.beats(b)
	return r, nil
}

// steady fits all orders, then whatever stands out of the rest, together.
func (t *Test) steady(w *window, speed, maxHz float64) *fitted {
	rotation := speed / (2 * math.Pi)
	most := min(40, int(0.95*maxHz/rotation))
	var tones []tone
	for n := 1; n <= most; n++ {
		tones = append(tones, tone{order: float64(n), hz: float64(n) * rotation})
	}
	f := w.fit(tones)
	for pass := 0; pass < 3 && f != nil; pass++ {
		added := false
		for _, l := range f.lines(math.Max(1.5, 0.2*rotation), 0.95*maxHz) {
			if len(tones) >= most+mostTones {
				break
			}
			near := false
			for _, o := range tones[most:] {
				near = near || math.Abs(o.hz-l.hz) < 2.5/w.seconds()
			}
			if near {
				continue
			}
			tones, added = append(tones, tone{hz: l.hz}), true
		}
		if !added {
			break
		}
		tones = w.sharpen(tones, most)
		if f = w.fit(tones); f == nil {
			break
		}
		if bare := f.withoutSkirts(most); len(bare) < len(tones) {
			// They would be found again: what is left of them is no tone.
			return w.fit(bare)
		}
	}
	return f
}

// withoutSkirts leaves out free tones that are, in every channel, only the
// unrest of a stronger one: beside it they would make the strong one look
// unsure.
func (f *fitted) withoutSkirts(free int) []tone {
	out := slices.Clone(f.tones[:free])
	for k := free; k < len(f.tones); k++ {
		for c := range f.w.x {
			if !f.skirted(k, c) {
				out = append(out, f.tones[k])
				break
			}
		}
	}
	return out
}

// sharpen moves every free tone to the frequency that fits best: the slope of
// its phase over the window, found by fitting a linearly growing tone beside it.
func (w *window) sharpen(tones []tone, free int) []tone {
	for range 2 {
		try := slices.Clone(tones)
		for k := free; k < len(try); k++ {
			try[k].bends = 1
		}
		f := w.fit(try)
		if f == nil {
			return tones
		}
		for k := free; k < len(try); k++ {
			// Over the channels: amplitude-weighted Im(slope/value).
			var num, den float64
			for c := range w.x {
				v := f.phasor(c, k)
				a := f.at[k] + 2
				d := complex(f.coef[c][a], f.coef[c][a+1])
				num += imag(d * cmplx.Conj(v))
				den += real(v)*real(v) + imag(v)*imag(v)
			}
			if den > 0 {
				move := num / den / (math.Pi * w.seconds())
				tones[k].hz += math.Max(-0.5, math.Min(0.5, move*w.seconds())) / w.seconds()
			}
		}
	}
	return tones
}

// judge names every component by what became of it.
func (r *Result) judge(t *Test, b *fitted, after *window) {
	type candidate struct {
		k       int // in b
		channel int
		size    float64
		noise   float64
		follow  int // tone of the fit after that follows the speed for it
		stay    int // ... that keeps its frequency; -1 = none
	}
	var cands []candidate
	rotation := r.Speed / (2 * math.Pi)
	for k := range b.tones {
		best := candidate{k: k, follow: -1, stay: -1}
		for c := range b.w.x {
			s, n := b.size(c, k), b.noise(c, k)
			if s/n > best.size/math.Max(best.noise, 1e-300) {
				best.channel, best.size, best.noise = c, s, n
			}
		}
		if best.size > seenAt*best.noise && !b.skirted(k, best.channel) {
			cands = append(cands, best)
		}
	}
	// After: every order that is seen, bending; every free tone as it was, and as
	// an order where that can be told from the others.
	turned := (after.phi[after.len()-1] - after.phi[0]) / (2 * math.Pi)
	var tones []tone
	for i := range cands {
		if o := b.tones[cands[i].k].order; o > 0 {
			cands[i].follow = len(tones)
			tones = append(tones, tone{order: o, bends: 2})
		}
	}
	for i := range cands {
		bt := b.tones[cands[i].k]
		if bt.order > 0 {
			continue
		}
		cands[i].stay = len(tones)
		tones = append(tones, tone{hz: bt.hz})
		order := bt.hz / rotation
		clear := true
		for j, o := range tones {
			if o.order > 0 && math.Abs(o.order-order)*turned < 3 {
				clear = false
				cands[i].follow = j
			}
		}
		if clear {
			cands[i].follow = len(tones)
			tones = append(tones, tone{order: order, bends: 2})
		}
	}
	// An order may hide something electrical at its frequency.
	f := after.fit(tones)
	for _, c := range cands {
		bt := b.tones[c.k]
		out := Component{Kind: Undecided, Hz: bt.hz, Order: bt.hz / rotation, Channel: t.setup.Channels[c.channel].Name,
			Quantity: t.setup.Channels[c.channel].Quantity, Amplitude: c.size}
		out.HzSD = math.Sqrt(6) / (math.Pi * b.w.seconds()) * c.noise / math.Sqrt2 / c.size
		if bt.order > 0 {
			out.Order = bt.order
			out.HzSD = 0.1 * rotation * bt.order / (b.w.seconds() * rotation)
		}
		if f == nil {
			out.Name, out.Evidence = fmt.Sprintf("%.4g Hz", out.Hz), "the coast-down could not be fitted"
			r.Components = append(r.Components, out)
			continue
		}
		own := bt.order > 0 || f.tones[c.follow].order > 0 && math.Abs(f.tones[c.follow].order-out.Order) < 1e-9
		out.Follow = f.size(c.channel, c.follow) / c.size
		out.Noise = f.noise(c.channel, c.follow) * math.Sqrt(3) / c.size
		if start := f.atStart(c.channel, c.follow) / c.size; bt.order > 0 && out.Follow > 4*out.Noise && start > out.Follow {
			// Far below a resonance acceleration goes with the fourth power of the
			// speed: what counts is what was left at the beginning.
			out.Follow = start
		}
		if c.stay >= 0 {
			out.Stayed = f.size(c.channel, c.stay) / c.size
			out.Noise = math.Max(out.Noise, f.noise(c.channel, c.stay)/c.size)
		}
		if !own { // its follower is another's order: that tells nothing of this one
			out.Follow = 0
		}
		ambiguous := b.widen[c.k] > 4 || c.stay >= 0 && f.widen[c.stay] > 6
		r.name(&out, bt, c.noise/c.size, ambiguous)
		r.Components = append(r.Components, out)
	}
	slices.SortStableFunc(r.Components, func(a, b Component) int { return int(math.Copysign(1, a.Hz-b.Hz)) })
}

// skirted says that a free tone is only the unrest of a stronger one beside it.
func (f *fitted) skirted(k, channel int) bool {
	if f.tones[k].order > 0 {
		return false
	}
	for j, o := range f.tones {
		if j != k && math.Abs(o.hz-f.tones[k].hz) < skirtHz && f.size(channel, k) < skirt*f.size(channel, j) {
			return true
		}
	}
	return false
}

// name decides what a component is.
func (r *Result) name(c *Component, bt tone, noise float64, ambiguous bool) {
	speedShare := fmt.Sprintf("%.0f %% followed the speed, %.0f %% kept its frequency (noise alone: %.0f %%)", 100*c.Follow, 100*c.Stayed, 100*c.Noise)
	c.Name = fmt.Sprintf("%.5g Hz", c.Hz)
	clearly := 4 * c.Noise
	switch {
	case ambiguous:
		c.Evidence = "it stands too close to another component for this recording to tell them apart: record longer before switching off"
	case c.Noise > gone/2 && c.Follow < clearly && c.Stayed < clearly:
		c.Evidence = "the noise after switching off would hide it: " + speedShare
	case bt.order > 0:
		r.nameOrder(c, bt, clearly, speedShare)
	case c.Stayed > math.Max(holdsLow, clearly) && c.Stayed < holdsHigh && c.Follow < math.Max(kept, clearly):
		c.Kind, c.Name = Elsewhere, fmt.Sprintf("%.4g Hz from elsewhere", c.Hz)
		c.Evidence = "it went on unchanged when the supply was off, so it belongs to another machine: " + speedShare
	case c.Follow > math.Max(kept, clearly) && c.Follow < grown && c.Stayed < math.Max(gone, clearly):
		c.Kind, c.Name = Follows, fmt.Sprintf("%.3fx", c.Order)
		c.Evidence = "it followed the fan's speed at a ratio that is no whole number: " + speedShare
		r.nameRatio(c)
	case c.Follow < math.Max(gone, clearly) && c.Stayed < math.Max(gone, clearly) && clearly < 2*kept:
		c.Kind = Electrical
		c.Evidence = "it was gone with the current: " + speedShare
	default:
		c.Evidence = "it neither vanished nor followed clearly: " + speedShare
	}
}

func (r *Result) nameOrder(c *Component, bt tone, clearly float64, speedShare string) {
	n := int(bt.order)
	switch {
	case c.Follow > math.Max(kept, clearly) && c.Follow < grown:
		c.Kind, c.Name = Order, fmt.Sprintf("%dx", n)
		c.Evidence = "it followed the speed: " + speedShare
		if b := r.cfg.Blades; b > 1 && n%b == 0 {
			c.Kind, c.Name = BladePass, "blade pass"
			if n > b {
				c.Name = fmt.Sprintf("%d x blade pass", n/b)
			}
			c.Evidence = fmt.Sprintf("%d blades: %s", b, c.Evidence)
		}
	case c.Follow < nothing && clearly < 2*nothing:
		c.Kind = Electrical
		c.Evidence = fmt.Sprintf("it stood on %dx and yet was gone with the current: %s", n, speedShare)
	default:
		c.Evidence = fmt.Sprintf("it stands on %dx but only a part of it is left, or much more: something electrical may lie under it, or a resonance: %s", n, speedShare)
	}
}

func (r *Result) nameRatio(c *Component) {
	for _, k := range []struct {
		name  string
		ratio float64
	}{{"belt", r.cfg.Belt}, {"motor", r.cfg.Motor}} {
		if k.ratio <= 0 || k.ratio == 1 {
			continue
		}
		for n := 1.0; n <= 4; n++ {
			if math.Abs(c.Order-n*k.ratio) < 0.02*n*k.ratio { // belts slip a little
				c.Name = fmt.Sprintf("%gx of the %s", n, k.name)
				c.Evidence = fmt.Sprintf("the %s turns %.3g times for one turn of the fan; %s", k.name, k.ratio, c.Evidence)
				return
			}
		}
	}
}
