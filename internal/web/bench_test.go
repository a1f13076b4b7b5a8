package web

import (
	"encoding/json"
	"testing"

	"counterpoise/internal/rotor"
)

// BenchmarkState is what one view of one station costs ten times a second,
// however many browsers look.
func BenchmarkState(b *testing.B) {
	st := &Station{Source: newFake("bench")}
	snap := turning()
	v := View{Scale: Scales[0]}
	n := 0
	for b.Loop() {
		out, err := json.Marshal(stateOf(st, &snap, v, defaultAsk, when))
		if err != nil {
			b.Fatal(err)
		}
		n = len(out)
	}
	b.ReportMetric(float64(n), "bytes/event")
}

// BenchmarkSpectrum is one fetch of a spectrum of 3,200 lines by one browser.
func BenchmarkSpectrum(b *testing.B) {
	snap := turning()
	v := View{Scale: Scales[0]}
	n := 0
	for b.Loop() {
		sp, ok := spectrumOf(rotor.Machine{Blades: 6, LineHz: 60}, &snap, "DE-H", v)
		if !ok {
			b.Fatal("no spectrum")
		}
		out, err := json.Marshal(sp)
		if err != nil {
			b.Fatal(err)
		}
		n = len(out)
	}
	b.ReportMetric(float64(n), "bytes/fetch")
}
