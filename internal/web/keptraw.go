package web

import (
	bin "encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/url"
	"strings"

	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// rawAbout is the JSON beside the WAV of a reading; store/EXPORT.md describes it.
type rawAbout struct {
	Schema    int          `json:"schema"`
	Recording string       `json:"recording"` // the WAV's name
	Replay    string       `json:"replay"`    // SOURCE word for counterpoise's commands, run beside the file
	Rate      float64      `json:"rate_hz"`   // on the board's clock; the WAV's header holds whole hertz
	Pulses    int          `json:"pulses_per_turn"`
	TachDelay float64      `json:"tach_delay_s"`
	TachAngle float64      `json:"tach_angle_rad"`
	Board     string       `json:"board,omitempty"`
	Channels  []rawChannel `json:"channels"` // of the WAV, in order, the tach last
	Edges     []float64    `json:"tach_edges_samples"`
	Cut       bool         `json:"cut,omitempty"` // the reading went on longer than was kept
}

type rawChannel struct {
	Name  string  `json:"name"`
	Unit  string  `json:"unit"`
	Scale float32 `json:"scale"` // what a figure of the WAV is multiplied by
	Delay float64 `json:"delay_s"`
}

// encodeTake writes a piece of signal as a WAV of 32-bit floats, the tach as its last channel, and the JSON that says what it is. The
// tach rises through 0.5 where each edge was: a line between its two samples
// there crosses at the very moment, so nothing of the edge's date is lost.
func encodeTake(r station.Raw, name string) (wav, about []byte, err error) {
	if len(r.Samples) == 0 || len(r.Samples[0]) < 2 || !(r.Setup.Rate >= 1 && r.Setup.Rate < math.MaxUint32) {
		return nil, nil, errors.New("there is no raw signal")
	}
	n, width := len(r.Samples[0]), len(r.Samples)+1
	// Readers take 1 for the full scale of a WAV and what goes beyond it for clipped:
	// each channel is divided by a power of two, which loses nothing.
	scaled := make([][]float32, 0, width)
	tach := make([]float32, n)
	for _, e := range r.Edges {
		pulse(tach, e)
	}
	a := rawAbout{Schema: 1, Recording: name, Rate: r.Setup.Rate, Pulses: max(r.Setup.PulsesPerTurn, 1), TachDelay: r.Setup.TachDelay, TachAngle: r.Setup.TachAngle, Board: r.Setup.Board, Edges: r.Edges, Cut: r.Cut}
	var columns []string
	q := ""
	for i, ch := range r.Setup.Channels {
		unit, scale := "", fullScale(r.Samples[i])
		x := make([]float32, n)
		for k := range x {
			x[k] = r.Samples[i][k] / scale
		}
		scaled = append(scaled, x)
		q += fmt.Sprintf("&scale.%d=%g", i, scale)
		if ch.Quantity != rotor.Raw {
			unit = map[rotor.Quantity]string{rotor.Acceleration: "m/s^2", rotor.Velocity: "m/s", rotor.Displacement: "m"}[ch.Quantity]
			q += fmt.Sprintf("&unit.%d=%s", i, url.QueryEscape(unit))
		}
		if ch.Delay != 0 {
			q += fmt.Sprintf("&delay.%d=%g", i, ch.Delay)
		}
		columns = append(columns, fmt.Sprint(i))
		a.Channels = append(a.Channels, rawChannel{ch.Name, unit, scale, ch.Delay})
	}
	if a.TachDelay != 0 {
		q += fmt.Sprintf("&delay.%d=%g", width-1, a.TachDelay)
	}
	a.Replay = fmt.Sprintf("file:%s?tach=%d&threshold=0.5&pulses=%d&channels=%s%s", name, width-1, a.Pulses, strings.Join(columns, ","), q)
	a.Channels = append(a.Channels, rawChannel{Name: "tach", Scale: 1})
	about, err = json.Marshal(a)
	return wavOf(append(scaled, tach), uint32(math.Round(r.Setup.Rate))), about, err
}

// fullScale is the least power of two, from 1 on, that no sample comes near.
func fullScale(x []float32) float32 {
	scale := float32(1)
	for _, v := range x {
		for finite(float64(v)) && (v > scale*.9 || v < -scale*.9) {
			scale *= 2
		}
	}
	return scale
}

// pulse lets a tach signal rise through 0.5 at the fractional sample position e.
func pulse(x []float32, e float64) {
	at := int(math.Floor(e))
	if at < 0 || at+1 >= len(x) {
		return
	}
	low, high, f := 0.0, 1.0, e-float64(at)
	if f <= .5 {
		low = (.5 - f) / (1 - f)
	} else {
		high = .5 / f
	}
	if low >= .5 { // exactly on the sample: the step before it stays below
		low = .499999
	}
	x[at], x[at+1] = float32(low), float32(high)
	for i := at + 2; i < min(at+4, len(x)); i++ {
		x[i] = 1 // a width that nobody takes for a spike
	}
}

// wavOf is a WAV of 32-bit floats (format 3), channels side by side.
func wavOf(ch [][]float32, rate uint32) []byte {
	n, width := len(ch[0]), len(ch)
	size := n * width * 4
	out := make([]byte, 0, 58+size)
	le := bin.LittleEndian
	out = append(out, "RIFF"...)
	out = le.AppendUint32(out, uint32(50+size))
	out = append(out, "WAVEfmt "...)
	out = le.AppendUint32(out, 18)
	out = le.AppendUint16(out, 3)
	out = le.AppendUint16(out, uint16(width))
	out = le.AppendUint32(out, rate)
	out = le.AppendUint32(out, rate*uint32(width)*4)
	out = le.AppendUint16(out, uint16(width*4))
	out = le.AppendUint16(out, 32)
	out = le.AppendUint16(out, 0)
	out = append(out, "fact"...)
	out = le.AppendUint32(out, 4)
	out = le.AppendUint32(out, uint32(n))
	out = append(out, "data"...)
	out = le.AppendUint32(out, uint32(size))
	for i := range n {
		for _, x := range ch {
			out = le.AppendUint32(out, math.Float32bits(x[i]))
		}
	}
	return out
}
