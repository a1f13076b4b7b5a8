package spectrum

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Shaft is something that turns: the fan by its own tach, its motor, a
// neighbour.
type Shaft struct {
	Name  string
	Hz    float64
	Error float64 // standard error, Hz
}

// Context is what is known when peaks are to be named. Unknown figures are
// zero, and what depends on them is then not named.
type Context struct {
	Shafts []Shaft // the first is the fan
	Blades int     // of the fan
	LineHz float64 // nominal, 50 or 60; 0 = not known, both are tried
	Poles  int     // of the motor; 0 = unknown
	Motor  int     // which of the shafts it drives directly: 0 is the fan's
	BeltHz float64 // passing frequency of a belt; 0 = none
}

// candidate is one thing that a peak may be.
type candidate struct {
	kind, name string
	hz, err    float64
	why        string
	maybe      bool // it is not known to be there at all: a rival, never a name
}

// nominals are the line frequencies of the world.
var nominals = []float64{50, 60}

// Orders and multiples that are looked for.
const (
	mostOrders   = 10
	mostPasses   = 3
	mostSlips    = 2
	lineMayStray = 0.01  // of a peak from the nominal line frequency or a multiple, to be taken for it
	supplyPeaks  = 30    // among which the line frequency is looked for
	gridHolds    = 0.001 // standard deviation of a grid around its nominal frequency, as a share (from memory)
)

// NameAll names peaks by what they fit and says why. A peak that two candidates
// fit that this spectrum cannot tell apart keeps no name: the evidence then says
// how long a block must be. Twice line frequency shows near 7,200 cycles a
// minute at 60 Hz (common practice, no source), where 2x of a two-pole motor
// stands, too; so the line frequency is estimated from the peaks that nothing
// that turns can explain, and never assumed.
func (s Spectrum) NameAll(peaks []Peak, c Context) {
	cs := c.turning()
	if line, err, ok := s.estimateLine(peaks, c.LineHz, cs); ok || c.LineHz > 0 {
		cs = append(cs, c.electric(line, err, ok, false)...)
	} else {
		for _, nominal := range nominals {
			cs = append(cs, c.electric(nominal, gridHolds*nominal, false, true)...)
		}
	}
	for i := range peaks {
		s.name(&peaks[i], cs)
	}
}

// turning lists what the shafts and the belt may cause.
func (c Context) turning() (cs []candidate) {
	for i, sh := range c.Shafts {
		if !(sh.Hz > 0) {
			continue
		}
		of := ""
		if i > 0 {
			of = " of " + sh.Name
		}
		for n := 1; n <= mostOrders; n++ {
			k := float64(n)
			cs = append(cs, candidate{Order, fmt.Sprintf("%dx%s", n, of), k * sh.Hz, k * sh.Error, fmt.Sprintf("%d times %.5g Hz%s", n, sh.Hz, of), false})
		}
		if i == 0 && c.Blades > 1 {
			for n := 1; n <= mostPasses; n++ {
				k := float64(n * c.Blades)
				name := "blade pass"
				if n > 1 {
					name = fmt.Sprintf("%d x blade pass", n)
				}
				cs = append(cs, candidate{Blade, name, k * sh.Hz, k * sh.Error, fmt.Sprintf("%d blades x %d x %.5g Hz", c.Blades, n, sh.Hz), false})
			}
		}
	}
	if c.BeltHz > 0 {
		for n := 1; n <= 4; n++ {
			cs = append(cs, candidate{Belt, fmt.Sprintf("%d x belt", n), float64(n) * c.BeltHz, 0.005 * float64(n) * c.BeltHz, fmt.Sprintf("%d times the belt's %.5g Hz", n, c.BeltHz), false})
		}
	}
	return merged(cs)
}

// merged drops an order that is the same thing as a blade pass.
func merged(cs []candidate) (out []candidate) {
	for _, a := range cs {
		same := false
		for _, b := range cs {
			same = same || a.kind == Order && b.kind == Blade && math.Abs(a.hz-b.hz) < 1e-9*b.hz
		}
		if !same {
			out = append(out, a)
		}
	}
	return out
}

// electric lists multiples of the line frequency and the sidebands that slip
// puts around order 1.
func (c Context) electric(line, err float64, estimated, maybe bool) (cs []candidate) {
	how := fmt.Sprintf("line frequency estimated as %.5g +- %.2g Hz", line, err)
	if !estimated {
		how = fmt.Sprintf("line frequency taken as nominal, %.4g Hz: it was not seen", line)
	}
	names := map[int]string{1: "line frequency", 2: "twice line frequency", 4: "4 x line frequency", 6: "6 x line frequency"}
	for _, n := range []int{1, 2, 4, 6} {
		k := float64(n)
		cs = append(cs, candidate{Line, names[n], k * line, k * err, how, maybe})
	}
	if c.Poles >= 2 && c.Motor >= 0 && c.Motor < len(c.Shafts) && c.Shafts[c.Motor].Hz > 0 {
		speed, of := c.Shafts[c.Motor].Hz, ""
		if c.Motor > 0 {
			of = " of " + c.Shafts[c.Motor].Name
		}
		pass := 2*line - float64(c.Poles)*speed // poles x slip frequency
		if pass > 0 && pass < 0.2*speed && estimated {
			for k := -mostSlips; k <= mostSlips; k++ {
				if k != 0 {
					cs = append(cs, candidate{Sideband, fmt.Sprintf("1x%s %+d pole-pass", of, k), speed + float64(k)*pass, float64(c.Poles) * err,
						fmt.Sprintf("%d poles times the slip of %.3g Hz beside 1x", c.Poles, pass/float64(c.Poles)), false})
				}
			}
		}
	}
	return cs
}

// EstimateLine finds the line frequency from peaks near once, twice, four and
// six times 50 or 60 Hz that no order comes near. estimated is false where there
// is none; hz is then the nominal value, 0 where that is not known either.
func (s Spectrum) EstimateLine(peaks []Peak, c Context) (hz, err float64, estimated bool) {
	return s.estimateLine(peaks, c.LineHz, c.turning())
}

// SupplyIn is the line frequency that the spectra of several channels show best;
// ok is false where none shows it.
func SupplyIn(spectra []Spectrum, c Context) (hz, err float64, ok bool) {
	err = math.Inf(1)
	for _, s := range spectra {
		if h, e, seen := s.EstimateLine(s.Peaks(supplyPeaks), c); seen && e < err {
			hz, err, ok = h, e, true
		}
	}
	return hz, err, ok
}

func (s Spectrum) estimateLine(peaks []Peak, nominal float64, turning []candidate) (hz, err float64, estimated bool) {
	possible := nominals
	if nominal > 0 {
		possible = []float64{nominal}
	}
	best := 0.0
	for _, around := range possible {
		var sum, weight, power float64
		for _, p := range peaks {
			for _, n := range []float64{1, 2, 4, 6} {
				if math.Abs(p.Hz-n*around) > lineMayStray*n*around || s.explained(p, turning) {
					continue
				}
				w := n * n / (p.HzError * p.HzError)
				sum += w * p.Hz / n
				weight += w
				power += p.Amplitude * p.Amplitude
			}
		}
		if power > best {
			best, hz, err, estimated = power, sum/weight, 1/math.Sqrt(weight), true
		}
	}
	if !estimated {
		hz, err = nominal, gridHolds*nominal
	}
	return hz, err, estimated
}

// apart is how far from each other in Hz two tones of unlike size stand that the
// spectrum tells apart: two half widths of what its window makes of a tone.
func (s Spectrum) apart() float64 { return 2 * float64(len(s.Window.cosines())) * s.Step }

// explained reports whether something that turns may be behind a peak.
func (s Spectrum) explained(p Peak, turning []candidate) bool {
	for _, t := range turning {
		if math.Abs(p.Hz-t.hz) < s.apart()+3*t.err {
			return true
		}
	}
	return false
}

// name gives one peak the only candidate that fits, or says why none does.
func (s Spectrum) name(p *Peak, cs []candidate) {
	var fits []candidate
	for _, c := range cs {
		if s.off(p, c) <= 1 {
			fits = append(fits, c)
		}
	}
	// The nearest first, each by what it may be off: a belt known to half a percent
	// must not take the name of an order that stands exactly there.
	slices.SortStableFunc(fits, func(a, b candidate) int { return cmp.Compare(s.off(p, a), s.off(p, b)) })
	rivals := s.rivals(p, fits, cs)
	switch {
	case len(fits) == 0:
		p.Evidence = fmt.Sprintf("%.5g Hz fits no order, blade pass or line multiple that is known", p.Hz)
	case len(rivals) > 0:
		s.refuse(p, append([]candidate{fits[0]}, rivals...))
	case fits[0].maybe:
		p.Evidence = fmt.Sprintf("it may be %s (%.4g Hz): say what the line frequency is", fits[0].name, fits[0].hz)
	default:
		p.Kind, p.Name, p.Evidence = fits[0].kind, fits[0].name, fits[0].why
	}
}

// off is how far a candidate is from a peak, over how far it may be.
func (s Spectrum) off(p *Peak, c candidate) float64 {
	return math.Abs(p.Hz-c.hz) / (s.Step + 3*math.Hypot(c.err, p.HzError))
}

// rivals are candidates besides the first fit that the spectrum cannot tell
// from it.
func (s Spectrum) rivals(p *Peak, fits, cs []candidate) (out []candidate) {
	if len(fits) == 0 {
		return nil
	}
	for _, c := range cs {
		if c != fits[0] && math.Abs(c.hz-fits[0].hz) < s.apart()+3*c.err && math.Abs(c.hz-p.Hz) < s.apart()+3*c.err {
			out = append(out, c)
		}
	}
	return out
}

func (s Spectrum) refuse(p *Peak, cs []candidate) {
	var names []string
	apart := math.Inf(1)
	var vague *candidate
	doubt := 0.0
	for i, c := range cs {
		names = append(names, fmt.Sprintf("%s at %.5g Hz", c.name, c.hz))
		if i > 0 {
			if a := math.Abs(c.hz - cs[0].hz); a < apart {
				apart, doubt = a, 3*c.err
			}
			if 3*c.err > math.Abs(c.hz-cs[0].hz) {
				vague = &cs[i]
			}
		}
	}
	p.Kind, p.Name = Unknown, "unresolved"
	if apart <= 0 {
		p.Evidence = fmt.Sprintf("%s fall together: nothing in the spectrum tells them apart", strings.Join(names, " and "))
		return
	}
	if vague != nil && apart > s.apart() {
		p.Evidence = fmt.Sprintf("%s are %.3g Hz apart, but %s is known to no better than %.2g Hz: say more exactly where it is", strings.Join(names, " and "), apart, vague.name, 3*vague.err)
		return
	}
	if apart > s.apart() { // the block is long enough but for the doubt where they stand
		apart -= doubt
	}
	p.Seconds = s.apart() / s.Step / apart
	p.Evidence = fmt.Sprintf("%s are %.3g Hz apart: a block of %.2g s tells them, this one is %.2g s", strings.Join(names, " and "), apart, p.Seconds, 1/s.Step)
}
