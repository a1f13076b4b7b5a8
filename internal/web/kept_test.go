package web

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
	"counterpoise/internal/station"
)

// What is kept of a spectrum comes back to four digits, and no more than is
// bounded is ever kept.
func TestKeptSpectra(t *testing.T) {
	in := fakeSpectra()
	in = append(in[:len(in):len(in)], spectrum.Spectrum{Channel: "flat", Quantity: rotor.Acceleration, Step: 1, Window: spectrum.FlatTop, Peak: make([]float64, 9000)})
	body, err := encodeSpectra(155, in)
	must(t, err)
	speed, out, err := decodeSpectra(body)
	must(t, err)
	if speed != 155 || len(out) != len(in) {
		t.Fatalf("%d spectra at %g rad/s", len(out), speed)
	}
	for i, s := range out {
		if s.Channel != in[i].Channel || s.Quantity != in[i].Quantity || s.Step != in[i].Step || s.Window != in[i].Window || len(s.Peak) != min(len(in[i].Peak), keptLines) {
			t.Errorf("%d came back as %q, %v, %d lines", i, s.Channel, s.Quantity, len(s.Peak))
		}
		for k := range s.Peak {
			if !(math.Abs(s.Peak[k]-in[i].Peak[k]) <= 5e-4*in[i].Peak[k]) {
				t.Fatalf("line %d of %s: %g, was %g", k, s.Channel, s.Peak[k], in[i].Peak[k])
			}
		}
	}
	many := make([]spectrum.Spectrum, 40)
	for i := range many {
		many[i] = spectrum.Spectrum{Channel: "x", Step: 1, Peak: make([]float64, keptLines)}
		for k := range many[i].Peak {
			many[i].Peak[k] = 1.2345678e-13 * float64(k+1)
		}
	}
	if body, err = encodeSpectra(1, many); err != nil || len(body) > maxKept {
		t.Errorf("40 channels make %d bytes, %v", len(body), err)
	}
	for _, bad := range []string{"", "{", `{"schema":2}`, `{"schema":1,"channels":[{"name":"a","quantity":"warmth","step_hz":1,"peak":[1]}]}`, `{"schema":1,"channels":[{"name":"a","quantity":"velocity","step_hz":0,"peak":[1]}]}`} {
		if _, _, err := decodeSpectra([]byte(bad)); err == nil {
			t.Errorf("%q was taken for spectra", bad)
		}
	}
}

// A kept raw signal is replayed by the program's own file source to the vector
// it was made of, edge dates between the samples and delays included.
func TestKeptTakeReplays(t *testing.T) {
	const rate, hz = 5000.0, 24.683
	want := cmplx.Rect(37.5, 1.1) // far beyond the full scale of a WAV
	raw := station.Raw{Setup: &acq.Setup{Rate: rate, TickHz: 1e6, HasTach: true, PulsesPerTurn: 1, TachDelay: 2e-4, Channels: []acq.Channel{
		{Name: "DE-H", Quantity: rotor.Acceleration, Scale: 1, Delay: 3e-4}, {Name: "probe", Quantity: rotor.Raw, Scale: 1}}}}
	n := int(4 * rate)
	raw.Samples = [][]float32{make([]float32, n), make([]float32, n)}
	for i := range n {
		at := float64(i) / rate
		raw.Samples[0][i] = float32(real(want * cmplx.Exp(complex(0, 2*math.Pi*hz*(at-3e-4)))))
		raw.Samples[1][i] = float32(math.Sin(2 * math.Pi * 3 * hz * at))
	}
	for k := 1; ; k++ {
		e := (float64(k)/hz + 2e-4) * rate
		if e > float64(n-3) {
			break
		}
		raw.Edges = append(raw.Edges, e)
	}
	wav, about, err := encodeTake(raw, "reading-7.wav")
	must(t, err)
	var a rawAbout
	must(t, json.Unmarshal(about, &a))
	dir := t.TempDir()
	must(t, os.WriteFile(filepath.Join(dir, "reading-7.wav"), wav, 0o644))
	src, err := acq.Open(strings.Replace(a.Replay, "file:", "file:"+dir+"/", 1), acq.Options{})
	if err != nil {
		t.Fatalf("%s: %v", a.Replay, err)
	}
	defer src.Close()
	ex, avg := phase.NewExtractor(phase.Config{Orders: []int{1}}), phase.NewAverage(phase.AverageConfig{})
	for {
		b, err := src.Next(context.Background())
		if errors.Is(err, io.EOF) {
			break
		}
		must(t, err)
		ex.Add(b, func(turn *phase.Turn) { avg.Add(turn) })
	}
	r := avg.Reading()
	c, ok := r.In(0, 1, rotor.Acceleration)
	if !ok || !r.Trusted() || !(cmplx.Abs(c.Value-want) < 2e-4*cmplx.Abs(want)) {
		t.Errorf("replayed %v over %d turns, want %v", c.Value, r.Turns, want)
	}
	if got := r.Speed / (2 * math.Pi); !(math.Abs(got-hz) < 1e-4) {
		t.Errorf("replayed %g Hz, want %g", got, hz)
	}
	if len(a.Edges) != len(raw.Edges) || a.Channels[0].Unit != "m/s^2" || a.Channels[1].Unit != "" || a.Channels[2].Name != "tach" {
		t.Errorf("the JSON beside it says %d edges, %+v", len(a.Edges), a.Channels)
	}
	if _, _, err := encodeTake(station.Raw{Setup: raw.Setup}, "x"); err == nil {
		t.Error("nothing was written as a take")
	}
}
