package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
)

// measured is the answer of measure --json. Numbers that do not exist are null.
type measured struct {
	Schema      int               `json:"schema"`
	SpeedRPM    *float64          `json:"speed_rpm"`
	Revolutions int               `json:"revolutions"`
	Dropped     int               `json:"dropped_revolutions"`
	Convention  rotor.Convention  `json:"convention"`
	Channels    []measuredChannel `json:"channels"`
	Seconds     float64           `json:"seconds"`
	Method      string            `json:"method,omitempty"`
	Why         string            `json:"why,omitempty"`
	Seen        int               `json:"seen_revolutions,omitempty"` // whose scatter is in the standard errors
	Normal      string            `json:"speed_normalisation,omitempty"`
	Trusted     bool              `json:"trusted"`
	Flags       []measuredFlag    `json:"flags"`
	Notes       []string          `json:"notes,omitempty"`
}

type measuredFlag struct {
	Code  string `json:"code"`
	Text  string `json:"text"`
	Fatal bool   `json:"fatal"`
}

type measuredChannel struct {
	Name     string            `json:"name"`
	Unit     string            `json:"unit"`
	Detector string            `json:"detector"`
	Overall  *float64          `json:"overall"`
	BandHz   []float64         `json:"band_hz,omitempty"` // nominal edges of overall
	Refused  string            `json:"refused,omitempty"` // why it gives no orders while others do
	Orders   []measuredOrder   `json:"orders"`
	Spectrum *measuredSpectrum `json:"spectrum,omitempty"`
	Shape    *measuredShape    `json:"shape,omitempty"`
}

type measuredOrder struct {
	Order           int      `json:"order"`
	Amplitude       float64  `json:"amplitude"`
	PhaseDeg        *float64 `json:"phase_deg"` // null below three standard errors
	StandardError   *float64 `json:"standard_error"`
	PhaseStandardEr *float64 `json:"phase_standard_error_deg"`

	Normal *phase.NormalFigures `json:"speed_normalisation,omitempty"`
}

type measuredSpectrum struct {
	StepHz  float64        `json:"step_hz"`
	Window  string         `json:"window"`
	Average string         `json:"averaging"`
	Blocks  int            `json:"blocks"`
	Seconds float64        `json:"seconds"`
	Lines   []float64      `json:"lines"` // line i stands at i x step_hz
	Peaks   []measuredPeak `json:"peaks"`
}

type measuredPeak struct {
	Hz        float64 `json:"hz"`
	Amplitude float64 `json:"amplitude"`
	Name      string  `json:"name"`
	Evidence  string  `json:"evidence"`
	Seconds   float64 `json:"seconds_needed,omitempty"` // of block, to tell what it is
}

const mostPeaks = 12

// number is a pointer to v, nil where v is not finite: JSON has no NaN.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// shown is the quantity in which a channel is reported, and how.
func (m *measurement) shown(q rotor.Quantity) (rotor.Unit, rotor.Detector) {
	if q == rotor.Raw {
		return rotor.DefaultUnit(rotor.Raw), rotor.Peak
	}
	if m.quantity != rotor.Raw {
		q = m.quantity
	} else if q == rotor.Acceleration {
		q = rotor.Velocity
	}
	if q == rotor.Displacement {
		return rotor.DefaultUnit(q), rotor.PeakToPeak
	}
	return rotor.DefaultUnit(q), rotor.RMS
}

// answer collects what has been measured so far.
func (b *bench) answer() measured {
	out := measured{Schema: 1, Convention: b.m.convention, Seconds: math.Max(0, b.elapsed-b.m.from), Flags: []measuredFlag{}}
	var r phase.Reading
	levels, spectra := b.levels.Latest(), b.spectra.Latest()
	if spectra == nil {
		spectra = b.coarse.Latest()
	}
	if b.average.Turns() > 0 {
		out.Notes = b.hearNeighbours(spectra)
		r = b.average.Reading()
		out.SpeedRPM = number(rotor.RPM(r.Speed))
		out.Revolutions, out.Method, out.Why, out.Trusted = r.Turns, r.Method, r.Why, r.Trusted()
		out.Seen, out.Normal = r.Seen, r.Normal
		for _, f := range r.Flags {
			out.Flags = append(out.Flags, measuredFlag(f))
		}
	}
	for _, n := range b.turns.Dropped() {
		out.Dropped += int(n)
	}
	known := b.known(r)
	if r.Turns > 0 && spectrum.Slow(r.Speed) {
		levels = b.slow.Latest()
	}
	shapes := b.shape()
	for i, c := range b.setup.Channels {
		unit, detector := b.m.shown(c.Quantity)
		ch := measuredChannel{Name: c.Name, Unit: unit.Name, Detector: detector.String(), Orders: []measuredOrder{}}
		if levels != nil {
			ch.overall(levels[i], unit)
		}
		if i < len(r.Channels) {
			ch.Refused = r.Channels[i].Refused
		}
		for _, n := range b.m.orders {
			if o, ok := r.In(i, n, unit.Quantity); ok {
				ch.Orders = append(ch.Orders, orderOf(o, unit.PerSI*detector.OfPeak(), b.m.convention))
			}
		}
		if b.m.spectrum && spectra != nil {
			ch.Spectrum = spectrumOf(spectra[i], unit, detector, known)
			ch.Spectrum.Average = b.m.look.Mode.String()
		}
		if shapes != nil {
			ch.Shape = shapes[i]
		}
		out.Channels = append(out.Channels, ch)
	}
	out.Notes = append(out.Notes, b.setup.Notes...)
	return out
}

// overall is the broad-band level in the channel's unit and detector; a raw
// channel has the rms of its alternating part.
func (ch *measuredChannel) overall(l spectrum.Level, unit rotor.Unit) {
	switch unit.Quantity {
	case rotor.Raw:
		ch.Overall = number(l.RMS)
		return
	case rotor.Acceleration:
		ch.Overall = number(l.Acceleration * unit.PerSI)
	case rotor.Velocity:
		ch.Overall = number(l.Velocity * unit.PerSI)
	case rotor.Displacement:
		ch.Overall = number(l.Displacement * unit.PerSI)
	}
	ch.BandHz = []float64{l.Low, l.High}
}

func orderOf(o phase.Component, scale float64, c rotor.Convention) measuredOrder {
	out := measuredOrder{Order: o.Order, Amplitude: o.Amplitude() * scale, StandardError: number(o.StandardError() * scale), Normal: o.Normal.Figures()}
	if o.HasPhase() {
		_, deg := c.Polar(o.Value)
		out.PhaseDeg = &deg
		out.PhaseStandardEr = number(o.PhaseSD() * 180 / math.Pi)
	}
	return out
}

func spectrumOf(s spectrum.Spectrum, unit rotor.Unit, d rotor.Detector, known spectrum.Context) *measuredSpectrum {
	if in, err := s.In(unit.Quantity); err == nil {
		s = in
	}
	out := &measuredSpectrum{StepHz: s.Step, Window: s.Window.String(), Blocks: s.Blocks, Seconds: s.Seconds}
	for _, p := range s.Peak {
		out.Lines = append(out.Lines, p*unit.PerSI*d.OfPeak())
	}
	peaks := s.Peaks(mostPeaks)
	s.NameAll(peaks, known)
	for _, p := range peaks {
		out.Peaks = append(out.Peaks, measuredPeak{p.Hz, p.Amplitude * unit.PerSI * d.OfPeak(), p.Name, p.Evidence, p.Seconds})
	}
	return out
}

func (b *bench) report(w io.Writer) error {
	a := b.answer()
	if b.m.json {
		enc := json.NewEncoder(w)
		if !b.m.follow {
			enc.SetIndent("", " ")
		}
		return enc.Encode(a)
	}
	return a.text(w)
}

// text is the answer for people.
func (a *measured) text(w io.Writer) error {
	p := &printer{w: w}
	if a.SpeedRPM != nil {
		p.f("%.1f rpm, %d revolutions, %d dropped; angles counted %v\n", *a.SpeedRPM, a.Revolutions, a.Dropped, a.Convention)
		p.f("%s\n", a.Why)
		if a.Normal != "" {
			p.f("%s\n", a.Normal)
		}
	} else {
		p.f("no revolution accepted: no speed, no orders\n")
	}
	for _, c := range a.Channels {
		p.f("%-12s overall %s %s %s", c.Name, short(c.Overall), c.Unit, c.Detector)
		if c.BandHz != nil {
			p.f(" (%g-%g Hz)", c.BandHz[0], c.BandHz[1])
		}
		p.f("\n")
		if c.Refused != "" {
			p.f("  no orders: %s\n", c.Refused)
		}
		for _, o := range c.Orders {
			p.f("  %dx %10.4g %s, standard error %s", o.Order, o.Amplitude, c.Unit, short(o.StandardError))
			if o.PhaseDeg != nil {
				p.f(", %.1f deg +- %s", *o.PhaseDeg, short(o.PhaseStandardEr))
			} else {
				p.f(", no phase")
			}
			p.f("\n")
		}
		if c.Spectrum != nil {
			for _, k := range c.Spectrum.Peaks {
				p.f("  %9.4g Hz %10.4g %s  %s: %s\n", k.Hz, k.Amplitude, c.Unit, k.Name, k.Evidence)
			}
		}
	}
	for _, f := range a.Flags {
		p.f("%s: %s\n", f.Code, f.Text)
	}
	for _, n := range a.Notes {
		p.f("note: %s\n", n)
	}
	return p.err
}

func short(v *float64) string {
	if v == nil {
		return "unknown"
	}
	return fmt.Sprintf("%.4g", *v)
}

// printer remembers the first error of a row of writes.
type printer struct {
	w   io.Writer
	err error
}

func (p *printer) f(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format, args...)
	}
}
