package poweroff

import (
	"fmt"
	"math"
)

// Multiples of the supply's frequency at which currents pull.
var multiples = []float64{1, 2, 4, 6}

const (
	lineWithin  = 0.01  // of 50 or 60 Hz to be called the line
	multiWithin = 0.002 // of a multiple, beside the errors of both
	mostSlip    = 0.12  // of an induction motor at work
	mostPairs   = 12    // of poles
)

// supply finds the frequency of the supply from what vanished: the one whose
// multiples hold the most of it, taken as twice the supply where only one tone
// vanished (the pull of a magnet does not care for the current's sign), and
// names the tones by it. Where the motor drives the fan directly its slip must
// come out small and positive; that is told as evidence.
func (r *Result) supply() {
	best, bestSize, bestN := 0.0, 0.0, 0
	for _, c := range r.Components {
		if c.Kind != Electrical {
			continue
		}
		for _, k := range multiples {
			f := c.Hz / k
			size, n := 0.0, 0
			for _, d := range r.Components {
				if d.Kind != Electrical {
					continue
				}
				for _, q := range multiples {
					if math.Abs(d.Hz-q*f) < multiWithin*d.Hz+3*math.Hypot(d.HzSD, c.HzSD*q/k) {
						size += d.Amplitude * d.Amplitude
						n++
						break
					}
				}
			}
			score := size * plausible(f, k, r.Speed/(2*math.Pi), r.cfg.Motor)
			if score > bestSize {
				best, bestSize, bestN = f, score, n
			}
		}
	}
	if best == 0 {
		return
	}
	var sum, weight float64
	for i := range r.Components {
		c := &r.Components[i]
		if c.Kind != Electrical {
			continue
		}
		for _, q := range multiples {
			if math.Abs(c.Hz-q*best) < multiWithin*c.Hz+3*math.Hypot(c.HzSD, 0.01) {
				sd := math.Max(c.HzSD/q, 1e-4)
				sum += c.Hz / q / (sd * sd)
				weight += 1 / (sd * sd)
			}
		}
	}
	if weight == 0 {
		return
	}
	r.SupplyHz, r.SupplySD = sum/weight, 1/math.Sqrt(weight)
	r.SupplyName = "the drive's output"
	for _, n := range []float64{50, 60} {
		if math.Abs(r.SupplyHz/n-1) < lineWithin {
			r.SupplyName = "the line"
		}
	}
	words := map[float64]string{1: "", 2: "twice ", 4: "4 x ", 6: "6 x "}
	for i := range r.Components {
		c := &r.Components[i]
		if c.Kind != Electrical {
			continue
		}
		c.Name = fmt.Sprintf("electrical, %.5g Hz", c.Hz)
		for _, q := range multiples {
			if math.Abs(c.Hz-q*r.SupplyHz) < multiWithin*c.Hz+3*c.HzSD {
				c.Name = fmt.Sprintf("%sthe drive's output frequency", words[q])
				if r.SupplyName == "the line" {
					c.Name = fmt.Sprintf("%sline frequency", words[q])
				}
				c.Evidence += fmt.Sprintf("; %.5g Hz is %g times %.5g Hz", c.Hz, q, r.SupplyHz)
			}
		}
	}
	if bestN == 1 {
		r.note("Only one tone vanished with the current; that it is twice the supply's frequency is the usual case, not a proof.")
	}
	if r.cfg.Motor == 0 || r.cfg.Motor == 1 {
		r.slip()
	}
}

// plausible prefers the magnet's twice, and a frequency at which a directly
// driven fan would turn with a motor's slip.
func plausible(f, k, rotation, motor float64) float64 {
	p := 1.0
	if k == 2 {
		p *= 1.5
	}
	if k > 2 {
		p *= 0.7
	}
	if motor > 0 {
		rotation *= motor
	}
	pairs := math.Round(f / rotation)
	if slip := 1 - pairs*rotation/f; pairs >= 1 && pairs <= mostPairs && slip > -0.002 && slip < mostSlip {
		p *= 1.3
	}
	for _, n := range []float64{50, 60} {
		if math.Abs(f/n-1) < lineWithin {
			p *= 2.5 // most supplies are the line; it breaks a tie and never moves the figure
		}
	}
	if f < 4 || f > 130 {
		p *= 0.2
	}
	return p
}

func (r *Result) slip() {
	rotation := r.Speed / (2 * math.Pi)
	pairs := math.Round(r.SupplyHz / rotation)
	if slip := 1 - pairs*rotation/r.SupplyHz; pairs >= 1 && pairs <= mostPairs && slip > -0.002 && slip < mostSlip {
		r.Slip = slip
		r.note("A motor of %g poles on %.4g Hz that drives the fan directly slips by %.2f %% (%.3g Hz).", 2*pairs, r.SupplyHz, 100*slip, slip*r.SupplyHz)
	} else {
		r.note("No directly driven motor with a usual slip turns at %.4g Hz on %.4g Hz: a belt or gear lies between, or this is not its supply. The tach belongs on the fan's shaft.", rotation, r.SupplyHz)
	}
}

func (r *Result) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

const beatWithin = 2.0 // Hz

// beats lists the components that stand close together.
func (r *Result) beats(b *fitted) {
	widen := func(c Component) float64 {
		for k, t := range b.tones {
			if math.Abs(t.hz-c.Hz) < 1e-9 {
				return b.widen[k]
			}
		}
		return 1
	}
	for i, a := range r.Components {
		for _, c := range r.Components[i+1:] {
			d := math.Abs(c.Hz - a.Hz)
			if d > beatWithin {
				continue
			}
			x := Beat{A: a.Name, B: c.Name, Period: 1 / d, Seen: r.Before * d, Widen: math.Sqrt(math.Max(widen(a), widen(c)))}
			x.Enough = x.Seen >= beatsNeeded || x.Widen < widenMost
			r.Beats = append(r.Beats, x)
			if !x.Enough {
				r.note("%s and %s beat every %.2g s and only %.1f beats were seen: do not trust either before %.0f s of steady running.", x.A, x.B, x.Period, x.Seen, beatsNeeded*x.Period)
			}
		}
	}
}
