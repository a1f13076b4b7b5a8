//go:build unix

package phase

import (
	"bytes"
	"errors"
	"io"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"counterpoise/internal/acq"
)

// BenchmarkRatio measures what the table of DEVELOPERS.md says: on a machine that
// does other work, too, a ratio is only worth something when both sides ran
// within the same second. Every pass therefore runs all contestants one after
// the other. Reported are the ratios to the plain sum (x-sum) and of gonum's FFT to
// the whole chain: of each one's best pass, which other work disturbed least, and
// the median over the passes of the ratio within a pass.
func BenchmarkRatio(b *testing.B) {
	bs := benchBlocks(4, 1024, 0)
	bs = bs[:len(bs)/4] // 64 MB are beyond the last cache, too
	samples := 0.0
	for _, k := range bs {
		samples += float64(len(k.Samples) * k.Len())
	}
	x := NewExtractor(Config{MinSpeed: 2 * math.Pi * 10, Late: 0.01})
	wire := chainWire()
	small := benchBlocks(4, 1024, 1024)[:256]
	fft, line, in := fourier.NewFFT(1024), make([]complex128, 513), make([]float64, 1024)
	contest := []struct {
		name string
		n    float64
		run  func()
	}{
		{"sum", samples, func() {
			for _, k := range bs {
				for _, s := range k.Samples {
					benchSink += plainSum(s)
				}
			}
		}},
		{"extract", samples, func() {
			x.gap()
			for _, k := range bs {
				x.Add(k, nil)
			}
		}},
		{"chain", chainSamples, func() { decodeAll(b, wire) }},
		{"gonum", 256 * 4 * 1024, func() {
			for _, k := range small {
				for _, s := range k.Samples {
					for i, v := range s {
						in[i] = float64(v)
					}
					fft.Coefficients(line, in)
					benchSink += float32(math.Hypot(real(line[1]), imag(line[1])) + math.Atan2(imag(line[1]), real(line[1])))
				}
			}
		}},
	}
	took := make([][]float64, len(contest))
	for b.Loop() {
		for i, c := range contest {
			from := cpuTime()
			c.run()
			took[i] = append(took[i], (cpuTime()-from)/c.n)
		}
	}
	report := func(name string, i, k int) {
		r := make([]float64, len(took[i]))
		for p := range r {
			r[p] = took[i][p] / took[k][p]
		}
		slices.Sort(r)
		b.ReportMetric(r[len(r)/2], name+"-median")
		b.ReportMetric(slices.Min(took[i])/slices.Min(took[k]), name+"-best")
	}
	report("extract-x-sum", 1, 0)
	report("chain-x-sum", 2, 0)
	report("gonum-x-chain", 3, 2)
}

// decodeAll runs the whole chain over a recording of the wire.
func decodeAll(b *testing.B, wire []byte) {
	src, err := acq.Open("-", acq.Options{Stdin: bytes.NewReader(wire)})
	if err != nil {
		b.Fatal(err)
	}
	defer src.Close()
	x := NewExtractor(Config{MinSpeed: 2 * math.Pi * 10, Late: 0.01}) // as the extraction alone
	for {
		k, err := src.Next(b.Context())
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			b.Fatal(err)
		}
		x.Add(k, nil)
	}
}
