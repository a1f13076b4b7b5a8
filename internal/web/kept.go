package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"counterpoise/internal/job"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
	"counterpoise/internal/station"
	"counterpoise/internal/store"
)

// keptTaker is a Taker that also keeps the spectra and the raw signal of a
// reading's own time; a *station.Station is one.
type keptTaker interface {
	TakeKept(ctx context.Context, ask station.Ask) (phase.Reading, station.Kept, error)
}

// takeKept takes a reading and, where the source can, what belongs beside it.
func takeKept(ctx context.Context, t Taker, ask station.Ask) (phase.Reading, station.Kept, error) {
	if s, ok := t.(keptTaker); ok {
		return s.TakeKept(ctx, ask)
	}
	r, err := t.Take(ctx, ask)
	return r, station.Kept{}, err
}

// keptSpectra is the file beside a reading; store/EXPORT.md describes it. Lines
// are peak amplitudes in SI units of the quantity.
type keptSpectra struct {
	Schema   int            `json:"schema"`
	Speed    float64        `json:"speed_rad_s"`
	Channels []keptSpectrum `json:"channels"`
}

type keptSpectrum struct {
	Name     string    `json:"name"`
	Quantity string    `json:"quantity"`
	Step     float64   `json:"step_hz"`
	Above    float64   `json:"above_hz"` // below it the lines hold nothing trustworthy
	Window   string    `json:"window"`
	Blocks   int       `json:"blocks"`
	Seconds  float64   `json:"seconds"`
	Peak     []float64 `json:"peak"`
}

// What is kept of one reading is bounded: no more channels and lines than that.
const (
	keptChannels = 16
	keptLines    = 6401
	keptDigits   = 4
)

func encodeSpectra(speed float64, list []spectrum.Spectrum) ([]byte, error) {
	out := keptSpectra{Schema: 1, Speed: speed}
	for _, s := range list[:min(len(list), keptChannels)] {
		k := keptSpectrum{s.Channel, s.Quantity.String(), s.Step, s.Above, s.Window.String(), s.Blocks, s.Seconds, make([]float64, min(len(s.Peak), keptLines))}
		for i := range k.Peak {
			k.Peak[i] = finiteOr(round(s.Peak[i], keptDigits), 0)
		}
		out.Channels = append(out.Channels, k)
	}
	return json.Marshal(out)
}

func decodeSpectra(b []byte) (speed float64, list []spectrum.Spectrum, err error) {
	var in keptSpectra
	if err := json.Unmarshal(b, &in); err != nil {
		return 0, nil, err
	}
	if in.Schema != 1 {
		return 0, nil, fmt.Errorf("it is of form %d, and this program reads form 1", in.Schema)
	}
	for _, k := range in.Channels {
		q, err := rotor.ParseQuantity(k.Quantity)
		if err != nil || !(k.Step > 0) || len(k.Peak) == 0 || len(k.Peak) > keptLines {
			return 0, nil, errors.Join(err, fmt.Errorf("the spectrum of %q is not whole", k.Name))
		}
		s := spectrum.Spectrum{Channel: k.Name, Quantity: q, Step: k.Step, Above: k.Above, Blocks: k.Blocks, Seconds: k.Seconds, Peak: k.Peak}
		if k.Window == spectrum.FlatTop.String() {
			s.Window = spectrum.FlatTop
		}
		list = append(list, s)
	}
	return in.Speed, list, nil
}

// keepBeside stores the spectra and the raw signal of a reading that is about to be
// recorded. It returns the name of the spectra's file, and a sentence where
// something could not be kept: the reading itself is never given up for it.
func (b *bench) keepBeside(ctx context.Context, r phase.Reading, k station.Kept) (file, trouble string) {
	n := b.job.State().Events + 1
	var failed []error
	add := func(name, kind string, body []byte, err error) string {
		var f store.File
		if err == nil {
			f, err = b.desk.jobs.AddFile(ctx, b.id, store.File{Name: name, Kind: kind, At: b.desk.now()}, bytes.NewReader(body))
		}
		failed = append(failed, err)
		return f.Name
	}
	if len(k.Spectra) > 0 {
		body, err := encodeSpectra(r.Speed, k.Spectra)
		file = add(fmt.Sprintf("reading-%d-spectra.json", n), store.KindSpectrum, body, err)
	}
	if k.Raw != nil {
		wav, about, err := encodeTake(*k.Raw, fmt.Sprintf("reading-%d.wav", n))
		add(fmt.Sprintf("reading-%d.wav", n), store.KindTake, wav, err)
		add(fmt.Sprintf("reading-%d.json", n), store.KindTake, about, err)
	}
	if err := errors.Join(failed...); err != nil {
		trouble = fmt.Sprintf(say("kept.not"), strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return file, trouble
}

// spectraOf reads the spectra that were kept with a reading; none is no error.
func (b *bench) spectraOf(ctx context.Context, event int) (speed float64, list []spectrum.Spectrum, err error) {
	events, err := b.job.Events(ctx)
	if err != nil || event < 1 || event > len(events) {
		return 0, nil, err
	}
	e := events[event-1]
	if e.Kind != job.KindMeasured || e.File == "" {
		return 0, nil, nil
	}
	body, _, err := b.readFile(ctx, e.File, maxKept)
	if err != nil {
		return 0, nil, err
	}
	if speed, list, err = decodeSpectra(body); err != nil {
		return 0, nil, fmt.Errorf(say("kept.unreadable"), e.File, err)
	}
	return speed, list, nil
}

// maxKept bounds a file of spectra in bytes.
const maxKept = 4 << 20
