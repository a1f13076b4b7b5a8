package acq

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"counterpoise/internal/acq/tickline"
	"counterpoise/internal/rotor"
)

// replay reads wire bytes through the source of standard input.
func replay(t testing.TB, p []byte, query string) ([]Block, Source) {
	t.Helper()
	s, err := Open("-?"+query, Options{Stdin: bytes.NewReader(p)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return all(t, s), s
}

// check holds blocks against the board's law, and returns their samples.
func check(t testing.TB, b *board, blocks []Block) (samples uint64) {
	t.Helper()
	next, edge, seen, lostEdges := blocks[0].Sample, uint64(0), false, uint64(0)
	for i, blk := range blocks {
		if i > 0 && blk.Gap == NoLoss && blk.Sample != next {
			t.Fatalf("block %d: sample %d follows %d without a gap", i, blk.Sample, next)
		}
		if blk.Sample != next+blk.Lost && i > 0 {
			t.Fatalf("block %d: sample %d, %d lost, %d expected", i, blk.Sample, blk.Lost, next)
		}
		if uint32(blk.Tick) != uint32(b.tick(blk.Sample)) {
			t.Fatalf("block %d: tick %d of sample %d", i, blk.Tick, blk.Sample)
		}
		for c := range blk.Samples {
			for k, v := range blk.Samples[c] {
				if want := b.value(blk.Sample+uint64(k), c); v != want {
					t.Fatalf("block %d, channel %d, sample %d: %v, want %v", i, c, k, v, want)
				}
			}
		}
		lostEdges += blk.LostEdges
		for _, e := range blk.Edges {
			if seen && e.Number != edge+lostEdges {
				t.Fatalf("block %d: edge %d, expected %d", i, e.Number, edge)
			}
			edge, seen, lostEdges = e.Number+1, true, 0
			want := (float64(e.Number)*float64(b.period) + 12345 - float64(b.tick(blk.Sample))) / float64(b.g.SampleTicks)
			if e.Pos != want {
				t.Fatalf("block %d: edge %d at %v, want %v", i, e.Number, e.Pos, want)
			}
		}
		next = blk.Sample + uint64(blk.Len())
		samples += uint64(blk.Len())
	}
	return samples
}

func TestFramesBecomeBlocks(t *testing.T) {
	for _, wide := range []bool{false, true} {
		b := newBoard()
		b.wide = wide
		wire := b.greeting(nil)
		for range 300 {
			wire = b.data(wire)
		}
		wire = tickline.AppendStatus(wire, b.next(), &tickline.Status{})
		blocks, s := replay(t, wire, "")
		if n := check(t, b, blocks); n != 6000 || len(blocks) != 300 {
			t.Errorf("%d samples in %d blocks", n, len(blocks))
		}
		su := s.Setup()
		if su.Rate != 2000 || su.TickHz != 16e6 || su.ID != "0000000000c0ffee" || su.Board != "test 1.5" || !su.HasTach || su.TachDelay != 1e-4 {
			t.Errorf("%+v", su)
		}
		if c := su.Channels[0]; c.Name != "DE-H" || c.Quantity != rotor.Acceleration || c.Scale != 0.5 || c.FullScale != 255.5 || c.Step != 0.5 || c.Delay != 2000/16e6 {
			t.Errorf("%+v", c)
		}
		c := s.Counts()
		if c.Bytes != uint64(len(wire)) || c.Frames != 302 || c.Samples != 6000 || c.LostSamples+c.LostFrames+c.SkippedBytes != 0 || c.Edges != b.edge {
			t.Errorf("%+v", c)
		}
	}
}

func TestRecalibration(t *testing.T) {
	b := newBoard()
	wire := b.data(b.greeting(nil))
	blocks, s := replay(t, wire, "scale.volts=9.81&unit.volts=g&pulses=4&delay.DE-H=0.5")
	c := s.Setup().Channels
	want := float64(b.value(5, 1)) * 9.81 * 9.80665
	if got := float64(blocks[0].Samples[1][5]); c[1].Quantity != rotor.Acceleration || c[0].Delay != 0.5 || !(abs(got-want) <= 1e-5*abs(want)) || s.Setup().PulsesPerTurn != 4 {
		t.Errorf("%v, want %v: %+v", got, want, c)
	}
	src, err := Open("-?scale.nobody=3", Options{Stdin: bytes.NewReader(wire)})
	if err == nil {
		_, err = src.Next(context.Background())
	}
	if err == nil || !strings.Contains(err.Error(), "scale.nobody is not known here") {
		t.Errorf("an option for a channel that is not there: %v", err)
	}
}

func abs(x float64) float64 { return max(x, -x) }

// TestEveryCounterWraps starts a board just below the wrap of each counter.
func TestEveryCounterWraps(t *testing.T) {
	const w32 = uint64(1) << 32
	for name, start := range map[string]uint64{
		"tick, 268 s":            w32/8000 - 200,
		"sample number, 25 days": w32 - 200,
		"tick, many times":       w32*7/8000 - 100,
	} {
		b := newBoard()
		b.skipTo(start)
		b.seq = 0xFFFF - 20
		b.drops = 0xFFFE
		wire := b.greeting(nil)
		for i := range 60 {
			if i == 20 || i == 30 || i == 40 {
				b.drop() // also the wrap of drops
			}
			wire = b.data(wire)
		}
		blocks, s := replay(t, wire, "")
		// numbers count from the board's raw start
		rebase := b.sample - blocks[len(blocks)-1].Sample - 20
		for i := range blocks {
			blocks[i].Sample += rebase
			for k := range blocks[i].Edges {
				blocks[i].Edges[k].Number += b.edge - s.(interface{ lastEdge() uint64 }).lastEdge()
			}
		}
		if n := check(t, b, blocks); n != 1200 {
			t.Errorf("%s: %d samples", name, n)
		}
		for i := 1; i < len(blocks); i++ {
			if blocks[i].Tick <= blocks[i-1].Tick {
				t.Errorf("%s: tick %d after %d", name, blocks[i].Tick, blocks[i-1].Tick)
			}
		}
		if c := s.Counts(); c.BoardDrops != 3 || c.LostSamples != 60 || c.Gaps["board_drop"] != 3 || c.LostFrames != 0 {
			t.Errorf("%s: %+v", name, c)
		}
	}
}

func (s *streamed) lastEdge() uint64 { return s.fr.(*wire).asm.edge }

func TestNearestAndAscend(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 100000 {
		bits := []uint{16, 32}[rng.IntN(2)]
		half := uint64(1) << (bits - 1)
		expect := rng.Uint64() >> (8 + rng.IntN(50))
		truth := expect + rng.Uint64N(half)
		if rng.IntN(2) == 0 {
			truth = expect - min(expect, rng.Uint64N(half))
		}
		if got := nearest(truth&(2*half-1), bits, expect); got != truth {
			t.Fatalf("nearest(%d mod 2^%d, %d) = %d", truth, bits, expect, got)
		}
		up := expect + rng.Uint64N(2*half)
		if got := ascend(up&(2*half-1), bits, expect); got != up {
			t.Fatalf("ascend(%d mod 2^%d, %d) = %d", up, bits, expect, got)
		}
	}
}

func TestWhatIsMissingIsSaid(t *testing.T) {
	const frames = 10
	for _, c := range []struct {
		name  string
		spoil func(b *board, i int, wire []byte) []byte // frame i, called for 0..frames-1
		gap   Loss
		lost  uint64
	}{
		{"a frame lost on the wire", func(b *board, i int, wire []byte) []byte {
			if i == 5 {
				b.data(nil)
			}
			return b.data(wire)
		}, LostFrames, 20},
		{"a bit flipped", func(b *board, i int, wire []byte) []byte {
			f := b.data(nil)
			if i == 5 {
				f[20] ^= 4
			}
			return append(wire, f...)
		}, LostFrames, 20},
		{"dropped on the board", func(b *board, i int, wire []byte) []byte {
			if i == 5 {
				b.drop()
				b.drop()
			}
			return b.data(wire)
		}, BoardDrop, 40},
		{"a mark in the recording", func(b *board, i int, wire []byte) []byte {
			if i == 5 {
				wire = append(wire, b.data(nil)[:9]...)
				wire = tickline.AppendMark(wire, tickline.Mark{UnixMicro: 5})
				wire = b.greeting(wire)
			}
			return b.data(wire)
		}, LinkDown, 20},
		{"the board began anew", func(b *board, i int, wire []byte) []byte {
			if i == 5 {
				*b = *newBoard()
				b.g.Channels[1].Name = "volts"
				wire = b.greeting(wire)
			}
			return b.data(wire)
		}, NewSetup, 0},
		{"another set-up", func(b *board, i int, wire []byte) []byte {
			if i == 5 {
				b.g.Channels[1].Name = "other"
				wire = b.greeting(wire)
			}
			return b.data(wire)
		}, NewSetup, 0},
		{"the tick jumps", func(b *board, i int, wire []byte) []byte {
			d := b.make()
			if i == 5 {
				d.Tick += 4500
			}
			if i > 5 {
				d.Tick += 4500
			}
			return tickline.AppendData(wire, b.next(), &d)
		}, ClockStep, 0},
	} {
		b := newBoard()
		wire := b.greeting(nil)
		for i := range frames {
			wire = c.spoil(b, i, wire)
		}
		blocks, s := replay(t, wire, "")
		counts := s.Counts()
		var gaps []Loss
		lost := uint64(0)
		for i, blk := range blocks {
			if blk.Gap != NoLoss {
				gaps = append(gaps, blk.Gap)
			}
			lost += blk.Lost
			if i > 0 && (blk.Sample < blocks[i-1].Sample+uint64(blocks[i-1].Len()) || blk.Tick <= blocks[i-1].Tick) {
				t.Errorf("%s: block %d goes back: sample %d tick %d", c.name, i, blk.Sample, blk.Tick)
			}
		}
		if len(gaps) != 1 || gaps[0] != c.gap || lost != c.lost || counts.LostSamples != c.lost || counts.Gaps[c.gap.String()] != 1 {
			t.Errorf("%s: gaps %v, %d lost, %+v; want %v, %d", c.name, gaps, lost, counts, c.gap, c.lost)
		}
	}
}

func TestLostEdgesAreCounted(t *testing.T) {
	b := newBoard()
	b.period = 20_001 // about 8 edges a frame
	wire := b.greeting(nil)
	edges := 0
	for i := range 50 {
		d := b.make()
		edges += len(d.Edges)
		if i == 10 { // the board's tach queue ran over: numbers go on
			d.Edges = d.Edges[:3]
		}
		if i == 30 {
			d.Edges[2] = d.Edges[1] // negative or no time
		}
		wire = tickline.AppendData(wire, b.next(), &d)
	}
	_, s := replay(t, wire, "")
	c := s.Counts()
	if c.LostEdges != uint64(8-3)+1 && c.LostEdges != uint64(7-3)+1 || c.Refused[EdgeOrder] != 1 || c.Edges+c.LostEdges != uint64(edges) {
		t.Errorf("%+v of %d", c, edges)
	}
}

// TestCutAtEveryByte loses the link after every byte of a capture, and goes on
// 40 samples later.
func TestCutAtEveryByte(t *testing.T) {
	whole := newBoard()
	capture := whole.greeting(nil)
	for range 4 {
		capture = whole.data(capture)
	}
	for n := range capture {
		b := newBoard()
		b.greeting(nil)
		for range 6 {
			b.make()
		}
		rest := b.greeting([]byte{0})
		for range 3 {
			rest = b.data(rest)
		}
		w, _ := parseWord("-")
		fr := newWire(w)
		var blocks []Block
		for i, part := range [][]byte{capture[:n], rest} {
			if i == 1 {
				fr.cut()
			}
			for len(part) > 0 {
				var blk Block
				k, filled, err := fr.feed(part, &blk)
				if part = part[k:]; err != nil {
					t.Fatal(err)
				}
				if filled {
					fr.counts.deliver(&blk)
					blocks = append(blocks, blk)
				}
			}
		}
		check(t, b, blocks)
		c := fr.counts
		first := blocks[0].Sample
		if c.Samples+c.LostSamples+first != b.sample || c.Bytes != uint64(n+len(rest)) {
			t.Fatalf("cut after %d bytes: %+v, first %d, of %d", n, c, first, b.sample)
		}
		if want := len(blocks) > 3; want != (c.Gaps["link_down"] == 1) {
			t.Fatalf("cut after %d bytes: %d blocks, gaps %v", n, len(blocks), c.Gaps)
		}
	}
}

func TestNoDataBeforeTheGreeting(t *testing.T) {
	b := newBoard()
	wire := b.data(b.data(nil))
	wire = b.greeting(wire)
	wire = b.data(wire)
	other := *b
	other.g.Channels = b.g.Channels[:1]
	wire = other.data(wire)
	blocks, s := replay(t, wire, "")
	c := s.Counts()
	if len(blocks) != 1 || c.Refused[NoGreeting] != 2 || c.Refused[NotAsGreeted] != 1 {
		t.Errorf("%d blocks, %+v", len(blocks), c)
	}
}

// TestSameBlocksHoweverChunkedAndSpoiled is the property that matters: what
// comes out plus what was counted as lost is what went in, and every sample
// that comes out is right.
func TestSameBlocksHoweverChunkedAndSpoiled(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for trial := range 60 {
		b := newBoard()
		b.period = 100_003
		wire := b.greeting(b.greeting(nil))
		for i := range 400 {
			f := b.data(nil)
			switch {
			case i == 0 || i == 399: // so that both ends are known
			case rng.IntN(20) == 0:
				f[rng.IntN(len(f))] ^= 1 << rng.IntN(8)
			case rng.IntN(40) == 0:
				f = f[:rng.IntN(len(f))]
			case rng.IntN(40) == 0:
				f = append(f, byte(rng.Uint32()), byte(rng.Uint32()), 0)
			case rng.IntN(40) == 0:
				f = nil
			}
			wire = append(wire, f...)
			if rng.IntN(50) == 0 && i < 399 {
				b.drop()
			}
			if i == 398 {
				wire = append(wire, 0) // the garbage ends
			}
		}
		blocks, s := replay(t, wire, "")
		c := s.Counts()
		got := check(t, b, blocks)
		if blocks[0].Sample != 0 || got+c.LostSamples != b.sample || got != c.Samples {
			t.Fatalf("trial %d: %d samples and %d lost, of %d; first %d", trial, got, c.LostSamples, b.sample, blocks[0].Sample)
		}
		if c.Edges+c.LostEdges != b.edge {
			t.Fatalf("trial %d: %d edges and %d lost, of %d", trial, c.Edges, c.LostEdges, b.edge)
		}
		lost := uint64(0)
		for _, blk := range blocks {
			lost += blk.Lost
		}
		if lost != c.LostSamples {
			t.Fatalf("trial %d: blocks say %d lost, counts %d", trial, lost, c.LostSamples)
		}
		for i := range blocks {
			blocks[i].Setup = nil
		}
		again := feedChunked(b, wire, rng)
		if !reflect.DeepEqual(blocks, again) {
			t.Fatalf("trial %d: chunks change the blocks", trial)
		}
	}
}

func feedChunked(b *board, p []byte, rng *rand.Rand) (blocks []Block) {
	w, _ := parseWord("-")
	fr := newWire(w)
	var blk Block
	for len(p) > 0 {
		chunk := p[:min(len(p), 1+rng.IntN(200))]
		p = p[len(chunk):]
		for len(chunk) > 0 {
			n, filled, _ := fr.feed(chunk, &blk)
			chunk = chunk[n:]
			if filled {
				blocks = append(blocks, cloneBlock(&blk))
			}
		}
	}
	for i := range blocks {
		blocks[i].Setup = nil
	}
	return blocks
}

func TestRubbishOnStandardInput(t *testing.T) {
	b := newBoard()
	v9 := *b
	v9.g.Protocol = 9
	for name, c := range map[string]struct {
		wire []byte
		want string
	}{
		"nothing":                {nil, "none of its 0 bytes introduces a board"},
		"text":                   {[]byte(strings.Repeat("hello world\n", 1000)), "none of its 12000 bytes introduces a board"},
		"another version":        {v9.data(v9.greeting(nil)), "speaks tickline version 9 and this counterpoise version 1"},
		"a greeting and no data": {b.greeting(nil), "no samples follow"},
		"a newer take":           {[]byte("counterpoise take 9\n{}\n"), "a take of a version"},
		"a cut header":           {[]byte("counterpoise take 1\n{\"for"), "ends within its header"},
		"a damaged header":       {[]byte("counterpoise take 1\n{\"for\n"), "is damaged"},
	} {
		s, err := Open("-", Options{Stdin: bytes.NewReader(c.wire)})
		if err == nil {
			_, err = s.Next(context.Background())
		}
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

func TestNoAllocationsPerBlock(t *testing.T) {
	b := newBoard()
	wire := b.greeting(nil)
	for range 50 {
		wire = b.data(wire)
	}
	w, _ := parseWord("-")
	fr := newWire(w)
	var blk Block
	run := func() {
		for p := wire; len(p) > 0; {
			n, _, err := fr.feed(p, &blk)
			if err != nil {
				t.Fatal(err)
			}
			p = p[n:]
		}
	}
	run()
	wire = wire[len(newBoard().greeting(nil)):] // a greeting may allocate
	if n := testing.AllocsPerRun(20, run); n != 0 {
		t.Errorf("%v allocations for 50 blocks", n)
	}
}

func FuzzWire(f *testing.F) {
	b := newBoard()
	good := b.data(b.data(b.greeting(nil)))
	f.Add(good, uint8(3))
	f.Add(append([]byte("x\x00"), good...), uint8(100))
	f.Add(tickline.AppendMark(good, tickline.Mark{}), uint8(1))
	f.Fuzz(func(t *testing.T, p []byte, size uint8) {
		run := func(step int) string {
			w, _ := parseWord("-")
			fr := newWire(w)
			var blk Block
			var log strings.Builder
			for rest := p; len(rest) > 0; {
				chunk := rest[:min(len(rest), step)]
				rest = rest[len(chunk):]
				for len(chunk) > 0 {
					n, filled, err := fr.feed(chunk, &blk)
					chunk = chunk[n:]
					if filled {
						fmt.Fprintln(&log, blk.Tick, blk.Sample, blk.Samples, blk.Edges, blk.Gap, blk.Lost, blk.LostEdges)
					}
					if err != nil {
						return log.String() + err.Error()
					}
				}
			}
			return fmt.Sprint(log.String(), fr.counts)
		}
		if a, b := run(len(p)+1), run(int(size)+1); a != b {
			t.Fatalf("whole: %s\nin parts: %s", a, b)
		}
	})
}

// BenchmarkBlocks is the whole way from bytes to engineering units, per sample;
// beside it what moving the bytes costs.
func BenchmarkBlocks(b *testing.B) {
	bd := newBoard()
	wire := bd.greeting(nil)
	for range 500 {
		wire = bd.data(wire)
	}
	samples := 500 * 20 * 2
	b.Run("blocks", func(b *testing.B) {
		b.SetBytes(int64(len(wire)))
		b.ReportAllocs()
		w, _ := parseWord("-")
		fr := newWire(w)
		var blk Block
		for b.Loop() {
			for p := wire; len(p) > 0; {
				n, _, _ := fr.feed(p, &blk)
				p = p[n:]
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(samples), "ns/sample")
	})
	b.Run("copy", func(b *testing.B) {
		b.SetBytes(int64(len(wire)))
		dst := make([]byte, len(wire))
		for b.Loop() {
			copy(dst, wire)
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(samples), "ns/sample")
	})
}
