package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
	"counterpoise/internal/station"
)

// viewOptions are those that say how to look: the spectrum, and what runs beside
// the rotor. finish reads them once they are parsed.
func (m *measurement) viewOptions(o options) (finish func() error) {
	m.look = spectrum.Config{}
	o.IntVar(&m.look.Lines, "lines", 1600, "lines of the spectrum: 400, 800, 1600, 3200 or 6400")
	o.Float64Var(&m.look.MaxHz, "top", spectrumHz, "highest frequency of the spectrum in Hz")
	o.Float64Var(&m.look.Overlap, "overlap", 0.67, "share of a block of the spectrum that the next one shares, 0.5 to 0.75")
	window := o.String("window", "hann", "of the spectrum: hann tells neighbours apart, flat-top reads amplitudes")
	average := o.String("averaging", "", "of the spectrum: linear, exponential or peak-hold (linear; exponential with --follow)")
	weights := o.String("weights", "taper", "of the turns in a reading: taper rejects neighbouring tones, equal has the least noise")
	beside := o.String("beside", "", "tones beside the rotor's that are to be removed: NAME=HZ, or line for the line frequency as it is seen, separated by commas")
	return func() (err error) {
		if m.look.Window, err = spectrum.ParseWindow(*window); err != nil {
			return fmt.Errorf("%w: --window: %w", errUsage, err)
		}
		if m.follow {
			m.look.Mode = spectrum.Exponential
		}
		if *average != "" {
			if m.look.Mode, err = spectrum.ParseMode(*average); err != nil {
				return fmt.Errorf("%w: --averaging: %w", errUsage, err)
			}
		}
		m.weights = phase.Method(*weights)
		switch {
		case !slices.Contains([]int{400, 800, 1600, 3200, 6400}, m.look.Lines):
			return fmt.Errorf("%w: --lines %d is none of 400, 800, 1600, 3200 and 6400", errUsage, m.look.Lines)
		case !(m.look.MaxHz > 0 && m.look.MaxHz <= 1e6):
			return fmt.Errorf("%w: --top %g is no frequency above 0", errUsage, m.look.MaxHz)
		case !(m.look.Overlap >= 0.5 && m.look.Overlap <= 0.75):
			return fmt.Errorf("%w: --overlap %g is not within 0.5 and 0.75", errUsage, m.look.Overlap)
		case m.shape != 0 && (m.shape < 8 || m.shape > 3600):
			return fmt.Errorf("%w: --shape %d: 8 to 3600 angles", errUsage, m.shape)
		case m.weights == phase.Taper:
			m.weights = "" // joint where a neighbour asks for it
		case m.weights != phase.Equal:
			return fmt.Errorf("%w: --weights %q is none of taper and equal", errUsage, *weights)
		}
		return m.readBeside(*beside)
	}
}

func (m *measurement) readBeside(list string) error {
	for word := range strings.SplitSeq(list, ",") {
		name, hz, ok := strings.Cut(strings.TrimSpace(word), "=")
		switch {
		case name == "" && !ok:
		case name == "line" && !ok:
			m.supply = true
		default:
			f, err := strconv.ParseFloat(hz, 64)
			if err != nil || !(f > 0 && f <= 1e6) || name == "" {
				return fmt.Errorf("%w: --beside %q is no NAME=HZ", errUsage, word)
			}
			m.beside = append(m.beside, phase.Tone{Name: name, Hz: f})
		}
	}
	return nil
}

// known is what helps to name peaks.
func (b *bench) known(r phase.Reading) spectrum.Context {
	m := rotor.Machine{Blades: b.m.blades, LineHz: b.m.lineHz, Poles: b.m.poles, MotorRatio: b.m.speed.motor, BeltRatio: b.m.speed.belt}
	return station.Naming(m, r.Speed, r.Wander, b.m.beside)
}

// hearNeighbours tells the average what is beside the rotor. It says what was asked
// for and cannot be had.
func (b *bench) hearNeighbours(spectra []spectrum.Spectrum) (notes []string) {
	tones := b.m.beside
	if b.m.supply {
		b.average.Beside(nil)
		hz, se, ok := spectrum.SupplyIn(spectra, b.known(b.average.Reading()))
		if ok {
			tones = append(tones[:len(tones):len(tones)], phase.Tone{Name: "line frequency", Hz: hz}, phase.Tone{Name: "twice line frequency", Hz: 2 * hz})
			notes = append(notes, fmt.Sprintf("the line frequency was estimated as %.5g +- %.2g Hz", hz, se))
		} else {
			notes = append(notes, "the line frequency is not seen apart from the rotor's orders, so it was not removed: measure longer, or name it (--beside line-frequency=HZ)")
		}
	}
	b.average.Beside(tones)
	return notes
}

// measuredShape is the averaged turn of a channel in its own quantity: value i
// stands at i x 360/points degrees after the mark.
type measuredShape struct {
	Turns  int        `json:"revolutions"`
	Unit   string     `json:"unit"`
	Values []*float64 `json:"values"` // null where no turn held one
}

func (b *bench) shape() (out []*measuredShape) {
	if b.shapes == nil {
		return nil
	}
	for i, w := range b.shapes.Latest() {
		u := rotor.DefaultUnit(b.setup.Channels[i].Quantity)
		s := &measuredShape{Turns: w.Turns, Unit: u.Name}
		for _, v := range w.Shape {
			s.Values = append(s.Values, number(v*u.PerSI))
		}
		out = append(out, s)
	}
	return out
}
