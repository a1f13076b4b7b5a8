//go:build unix

package phase

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"counterpoise/internal/acq"
)

// BenchmarkRatio measures what the table of DEVELOPERS.md says: on a machine that
// does other work, too, a ratio is only worth something when both sides ran
// within the same second. Every pass therefore runs all contestants one after
// the other. Reported are ratios of each one's best pass, which other work
// disturbed least, and the median over the passes of the ratio within a pass.
//
// The plain sum and the extraction read samples that no cache holds; "cached" is
// the same on 0.8 MB. The general tools are
// held against both the extraction and, though they decode nothing, the whole
// chain from the bytes of the wire.
func BenchmarkRatio(b *testing.B) {
	all := benchBlocks(4, 1024, 0, beyondCache())
	few := slices.Repeat(all[:2], 256) // 0.8 MB, again and again
	x := NewExtractor(Config{MinSpeed: 2 * math.Pi * 10, Late: 0.01})
	wire := chainWire()
	small := benchBlocks(4, 1024, 1024, 16<<20)[:1024]
	sum := func(bs []*acq.Block) func() float64 {
		return func() float64 {
			return spent(bs, func() {
				for _, k := range bs {
					for _, s := range k.Samples {
						benchSink += plainSum(s)
					}
				}
			})
		}
	}
	extract := func(bs []*acq.Block) func() float64 {
		return func() float64 {
			return spent(bs, func() {
				x.gap()
				for _, k := range bs {
					x.Add(k, nil)
				}
			})
		}
	}
	turn := make([]float64, 1024)
	transform := func(bs []*acq.Block, do func([]float64)) func() float64 {
		return func() float64 {
			return spent(bs, func() {
				for _, k := range bs {
					for _, s := range k.Samples {
						for i, v := range s {
							turn[i] = float64(v)
						}
						do(turn)
					}
				}
			})
		}
	}
	contest := []struct {
		name string
		run  func() float64 // ns a sample
		took []float64
	}{
		{name: "sum", run: sum(all)},
		{name: "extract", run: extract(all)},
		{name: "sum-cached", run: sum(few)},
		{name: "extract-cached", run: extract(few)},
		{name: "chain", run: func() float64 {
			from := cpuTime()
			decodeAll(b, wire)
			return (cpuTime() - from) / chainSamples
		}},
		{name: "go-dsp", run: transform(small[:256], goDSP)},
		{name: "gonum", run: transform(small, gonumFFT())},
		{name: "numpy", run: outside(b, "/usr/bin/python3", "-c", numpyAverage)},
		{name: "fftw", run: outside(b, fftwProgram(b))},
	}
	for b.Loop() {
		for i := range contest {
			c := &contest[i]
			c.took = append(c.took, c.run())
		}
	}
	for _, v := range [][2]string{{"extract", "sum"}, {"extract-cached", "sum-cached"}, {"chain", "sum"},
		{"go-dsp", "extract"}, {"gonum", "extract"}, {"numpy", "extract"}, {"fftw", "extract"},
		{"go-dsp", "chain"}, {"gonum", "chain"}, {"numpy", "chain"}} {
		var over, under []float64
		for _, c := range contest {
			switch c.name {
			case v[0]:
				over = c.took
			case v[1]:
				under = c.took
			}
		}
		r := make([]float64, len(over))
		for p := range r {
			r[p] = over[p] / under[p]
		}
		slices.Sort(r)
		b.ReportMetric(r[len(r)/2], v[0]+"/"+v[1]+"-median")
		b.ReportMetric(slices.Min(over)/slices.Min(under), v[0]+"/"+v[1]+"-best")
	}
}

// spent is the processor time of do in ns for each sample of the blocks.
func spent(bs []*acq.Block, do func()) float64 {
	n := 0
	for _, k := range bs {
		n += len(k.Samples) * k.Len()
	}
	from := cpuTime()
	do()
	return (cpuTime() - from) / float64(n)
}

// beyondCache is how many bytes no cache of this machine holds: twice the largest
// one, where the system tells it (a server's may be 300 MiB), or 512 MB.
func beyondCache() int {
	text, err := os.ReadFile("/sys/devices/system/cpu/cpu0/cache/index3/size")
	kib, bad := strconv.Atoi(strings.TrimSuffix(strings.TrimSpace(string(text)), "K"))
	if err != nil || bad != nil {
		return 512 << 20
	}
	return max(64<<20, 2*kib<<10)
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
