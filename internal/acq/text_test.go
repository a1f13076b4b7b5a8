package acq

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
)

// sketch prints lines as a beginner's program would: n samples a step of 2500
// us apart with some jitter, the mark every 40,000 us.
func sketch(n int, start uint64, jitter float64) string {
	rng := rand.New(rand.NewPCG(1, 2))
	var b strings.Builder
	b.WriteString("# time_unit=us channels=ax,ay unit.ax=m/s^2\n# a remark\n")
	edge := uint64(0)
	for i := range n {
		at := 10000 + 2500*float64(i) + jitter*rng.NormFloat64()
		for ; float64(edge)*40000+10123 < at; edge++ {
			fmt.Fprintf(&b, "T,%d,%d\n", uint32(start+edge*40000+10123), edge)
		}
		fmt.Fprintf(&b, "%d,%.4f,%d\r\n", uint32(start+uint64(math.Round(at))), math.Cos(float64(i)/10), i%100)
	}
	return b.String()
}

func TestPlainLines(t *testing.T) {
	for name, start := range map[string]uint64{"from zero": 0, "over the wrap of the microseconds": 1<<32 - 1_500_000} {
		path := write(t, "log.txt", []byte(sketch(1000, start, 20)))
		s := open(t, "file:"+path+"?mode=lines&scale.ay=2")
		blocks := all(t, s)
		su := s.Setup()
		if !(math.Abs(su.Rate-400) <= 0.5) || !su.HasTach || len(su.Channels) != 2 || su.Channels[0].Name != "ax" || su.Channels[0].Quantity.String() != "acceleration" {
			t.Fatalf("%s: %+v", name, su)
		}
		n, edges := 0, 0
		for _, b := range blocks {
			if b.Gap != NoLoss {
				t.Errorf("%s: gap %v at sample %d", name, b.Gap, b.Sample)
			}
			for i := range b.Len() {
				if b.Samples[0][i] != float32(math.Round(1e4*math.Cos(float64(n)/10))/1e4) || b.Samples[1][i] != float32(2*(n%100)) {
					t.Fatalf("%s: sample %d is %v, %v", name, n, b.Samples[0][i], b.Samples[1][i])
				}
				n++
			}
			// the grid through jittered times is within 20 us of the truth
			if want := float64(start) + 10000 + 2500*float64(b.Sample); !(math.Abs(float64(b.Tick)/10-want) <= 20) {
				t.Errorf("%s: sample %d at %.1f us, want %.1f", name, b.Sample, float64(b.Tick)/10, want)
			}
			for _, e := range b.Edges {
				at := float64(b.Tick)/10 + e.Pos*1e6/su.Rate
				if want := float64(start) + float64(e.Number)*40000 + 10123; !(math.Abs(at-want) <= 0.2) || e.Number != uint64(edges) {
					t.Errorf("%s: edge %d at %.1f us, want %.1f", name, e.Number, at, want)
				}
				edges++
			}
		}
		if c := s.Counts(); n != 1000 || edges != 63 || c.Refused[BadLine] != 0 {
			t.Errorf("%s: %d samples, %d edges, %+v", name, n, edges, c)
		}
	}
}

func TestLinesThatAreSpoiled(t *testing.T) {
	lines := strings.SplitAfter(sketch(1000, 0, 0), "\n")
	var b strings.Builder
	dropped := 0
	for i, l := range lines {
		switch {
		case i == 300: // garbage
			b.WriteString("12,x\n\xff\xfe\n1\nNaN,1,2\n1,2,3,4\n" + strings.Repeat("9", 5000) + "\n")
			fallthrough
		case i < 500 || i > 525:
			b.WriteString(l)
		case l[0] != 'T':
			dropped++
		}
	}
	s := open(t, "file:"+write(t, "log.txt", []byte(b.String()))+"?mode=lines")
	blocks := all(t, s)
	gaps := 0
	for _, blk := range blocks {
		if blk.Gap != NoLoss {
			gaps++
			if blk.Gap != ClockStep || blk.Lost != uint64(dropped) {
				t.Errorf("gap %v, %d lost, want %d", blk.Gap, blk.Lost, dropped)
			}
		}
	}
	c := s.Counts()
	if gaps != 1 || c.Refused[BadLine] != 6 || c.Samples != 1000-uint64(dropped) || c.LostSamples != uint64(dropped) || c.LostEdges == 0 || c.SkippedBytes < 5000 {
		t.Errorf("%d gaps, %+v", gaps, c)
	}
}

func TestLinesThatCannotBeMeasured(t *testing.T) {
	batched := ""
	for i := range 300 {
		batched += fmt.Sprintf("%d,%d\n", i/10*25000, i)
	}
	jittered := sketch(300, 0, 300)
	for name, c := range map[string]struct{ text, want string }{
		"batches":       {batched, "come in batches"},
		"prose":         {"hello\nworld\n", "make two samples"},
		"nothing":       {"", "make two samples"},
		"bad time unit": {"# time_unit=days\n1,2\n2,3\n", "time_unit=days is not known"},
		"bad column":    {"# tach=9\n1,2\n2,3\n3,4\n", `no column "9"`},
	} {
		s := open(t, "file:"+write(t, "log.txt", []byte(c.text))+"?mode=lines")
		if _, err := s.Next(context.Background()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	s := open(t, "file:"+write(t, "log.txt", []byte(jittered))+"?mode=lines")
	all(t, s)
	if n := s.Setup().Notes; len(n) != 1 || !strings.Contains(n[0], "degrees at 25 Hz") {
		t.Errorf("jitter of 300 us: %q", n)
	}
}

func TestLinesAreRecordedAsTheyCame(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lines.take")
	blocks := record(t, []byte(sketch(500, 0, 5)), "-?mode=lines&scale.ay=3", path)
	if again := all(t, open(t, "file:"+path)); !sameBlocks(blocks, again) {
		t.Error("a replay gives other blocks")
	}
}

func FuzzLines(f *testing.F) {
	f.Add(sketch(80, 0, 5), uint8(7))
	f.Add("T,5\n1,2\n2,3\n# x=1\n1,2,3\n", uint8(1))
	f.Fuzz(func(t *testing.T, in string, size uint8) {
		run := func(step int) string {
			w, _ := parseWord("-?mode=lines")
			fr, _ := newText(w)
			fr.skip = false
			var b Block
			var log strings.Builder
			drain := func(p []byte) bool {
				for {
					n, filled, err := fr.feed(p, &b)
					p = p[n:]
					if err != nil {
						fmt.Fprint(&log, err)
						return false
					}
					if !filled {
						return true
					}
					fmt.Fprintln(&log, b.Tick, b.Sample, b.Samples, b.Edges, b.Gap, b.Lost)
				}
			}
			for rest := []byte(in); len(rest) > 0; {
				chunk := rest[:min(len(rest), step)]
				rest = rest[len(chunk):]
				if !drain(chunk) {
					return log.String()
				}
			}
			fr.flush()
			drain(nil)
			return log.String()
		}
		if a, b := run(len(in)+1), run(int(size)+1); a != b {
			t.Fatalf("whole:\n%s\nin parts:\n%s", a, b)
		}
	})
}
