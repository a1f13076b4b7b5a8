package rig

import (
	"testing"

	"counterpoise/internal/acq/tickline"
)

// BenchmarkWire is the whole virtual fan on a pipe: 1x is real time.
func BenchmarkWire(b *testing.B) {
	r, err := New("extractor", 1)
	if err != nil {
		b.Fatal(err)
	}
	h := over(b, r, 0)
	r.Start()
	h.say(tickline.TypeStart, 0)
	h.until(tickline.TypeData)
	samples := 0
	for b.Loop() {
		samples += h.until(tickline.TypeData).Data.Len()
	}
	b.ReportMetric(float64(samples)/6400/b.Elapsed().Seconds(), "x_real_time")
}

// BenchmarkPlant is four channels without a wire, at 6.4 and at 25.6 kS/s.
func BenchmarkPlant(b *testing.B) {
	for _, rate := range []float64{6400, 25600} {
		b.Run(map[float64]string{6400: "6.4kS", 25600: "25.6kS"}[rate], func(b *testing.B) {
			p := preset(b, "bench-fan")
			p.Probes = p.Probes[:4]
			p.Board.Rate = rate
			p.Board.TickHz = 640 * rate
			for i := range p.Probes {
				p.Probes[i].Slot = 0
			}
			r := fan(b, p, 1)
			r.Start()
			r.Skip(20)
			counts := make([]int32, 4)
			n := 0
			b.ReportAllocs()
			for b.Loop() {
				r.sim.next(counts)
				n++
				if n%1024 == 0 {
					r.sim.edges = r.sim.edges[:0]
				}
			}
			b.ReportMetric(float64(n)/rate/b.Elapsed().Seconds(), "x_real_time")
		})
	}
}
