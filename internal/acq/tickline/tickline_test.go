package tickline

import (
	"bytes"
	"encoding/hex"
	"math/rand/v2"
	"reflect"
	"testing"
)

func greeting(channels int) *Greeting {
	g := &Greeting{
		Protocol: Version, Board: "bench", Firmware: 0x0102, ID: 0x0123456789ABCDEF, Flags: FlagStreaming,
		Bits: 10, SampleBytes: 2, FrameSamples: 20, Pulses: 1, ReferenceMV: 5000,
		TickHz: 16e6, SampleTicks: 8000, TachDelayTicks: 800, Channels: []Channel{},
	}
	for i := range channels {
		g.Channels = append(g.Channels, Channel{
			Name: "DE-H" + string(rune('0'+i)), Unit: MetrePerSecond2, Scale: 0.0479, Zero: 512, FullScale: 511, DelayTicks: uint32(2000 * i),
		})
	}
	return g
}

// copied is f with slices of its own.
func copied(f *Frame) Frame {
	c := *f
	c.Greeting.Channels = append([]Channel{}, f.Greeting.Channels...)
	c.Data.Samples = append([]int32{}, f.Data.Samples...)
	c.Data.Edges = append([]uint32{}, f.Data.Edges...)
	return c
}

type outcome struct {
	frame Frame
	why   Reason
	wire  int
}

// decodeAll feeds p in chunks of the given sizes, cycled.
func decodeAll(p []byte, sizes ...int) (out []outcome) {
	var d Decoder
	for i := 0; len(p) > 0; i++ {
		chunk := p[:min(len(p), sizes[i%len(sizes)])]
		p = p[len(chunk):]
		for len(chunk) > 0 {
			n, f, why := d.Decode(chunk)
			chunk = chunk[n:]
			switch {
			case f != nil:
				out = append(out, outcome{copied(f), OK, d.Wire()})
			case why != OK:
				out = append(out, outcome{why: why, wire: d.Wire()})
			}
		}
	}
	return out
}

func TestRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for channels := 0; channels <= MaxChannels; channels++ {
		g := greeting(channels)
		out := decodeAll(AppendGreeting(nil, 7, g), 1000)
		if len(out) != 1 || out[0].frame.Seq != 7 || !reflect.DeepEqual(&out[0].frame.Greeting, g) {
			t.Fatalf("greeting of %d channels came back as %+v", channels, out)
		}
	}
	for trial := range 2000 {
		want := randomData(rng)
		wire := AppendData(nil, uint16(trial), &want)
		if len(wire) > MaxWire || bytes.IndexByte(wire, 0) != len(wire)-1 {
			t.Fatalf("trial %d: %d bytes, first 00 at %d", trial, len(wire), bytes.IndexByte(wire, 0))
		}
		out := decodeAll(wire, 1000)
		if len(out) != 1 || out[0].why != OK || !reflect.DeepEqual(out[0].frame.Data, want) || out[0].wire != len(wire) {
			t.Fatalf("trial %d: %+v came back as %+v", trial, want, out)
		}
	}
	s := Status{0xFFFFFFFF, 1, 2, 3, 0xFFFF}
	if out := decodeAll(AppendStatus(nil, 0xFFFF, &s), 3); len(out) != 1 || out[0].frame.Status != s || out[0].frame.Seq != 0xFFFF {
		t.Errorf("status came back as %+v", out)
	}
	for _, c := range []Command{{Type: TypeAsk}, {Type: TypeStart}, {Type: TypeStop}, {TypeLoopback, 640000}} {
		if out := decodeAll(AppendCommand(nil, 0, c), 3); len(out) != 1 || out[0].frame.Command != c || out[0].frame.Type != c.Type {
			t.Errorf("command %+v came back as %+v", c, out)
		}
	}
}

func randomData(rng *rand.Rand) Data {
	d := Data{
		Tick: rng.Uint32(), Sample: rng.Uint32(), Edge: uint16(rng.Uint32()), Drops: uint16(rng.Uint32()),
		Channels: 1 + rng.IntN(MaxChannels), Wide: rng.IntN(2) == 1, Samples: []int32{}, Edges: []uint32{},
	}
	for range rng.IntN(5) {
		d.Edges = append(d.Edges, rng.Uint32()>>rng.IntN(32)) // small values hold zero bytes
	}
	bits := 16
	if d.Wide {
		bits = 24
	}
	for range d.Channels * rng.IntN(1+RoomFor(d.Channels, d.Wide, len(d.Edges))) {
		d.Samples = append(d.Samples, int32(rng.Uint32())>>(32-bits)>>rng.IntN(bits))
	}
	return d
}

func TestSamplesSaturate(t *testing.T) {
	for _, wide := range []bool{false, true} {
		out := decodeAll(AppendData(nil, 0, &Data{Channels: 1, Wide: wide, Samples: []int32{1 << 30, -1 << 30}}), 999)
		top := int32(1<<15 - 1)
		if wide {
			top = 1<<23 - 1
		}
		if got := out[0].frame.Data.Samples; got[0] != top || got[1] != -top-1 {
			t.Errorf("wide %v: %v", wide, got)
		}
	}
}

// raw frames a body that no Append function would write.
func raw(b ...byte) []byte { return seal(append([]byte{0}, b...), 0) }

func TestRefusals(t *testing.T) {
	good := AppendStatus(nil, 1, &Status{Tick: 1})
	flipped := bytes.Clone(good)
	flipped[4] ^= 0x10
	otherVersion := greeting(1)
	otherVersion.Protocol = 9
	noTick := greeting(1)
	noTick.TickHz = 0
	noScale := greeting(1)
	noScale.Channels[0].Scale = 0
	strange := greeting(1)
	strange.Channels[0].Unit = 77
	pastEnd := append([]byte{200}, good...)
	for _, c := range []struct {
		name string
		wire []byte
		want Reason
	}{
		{"254 bytes without an end", append(bytes.Repeat([]byte{1}, 254), 0), TooLong},
		{"10,000 bytes without an end", append(bytes.Repeat([]byte{1}, 10000), 0), TooLong},
		{"three bytes", []byte{3, 7, 7, 0}, TooShort},
		{"a code past the end", pastEnd, BadCOBS},
		{"one bit flipped", flipped, BadCRC},
		{"type 0x7F", raw(0x7F, 0, 0), UnknownType},
		{"another version", AppendGreeting(nil, 0, otherVersion), WrongVersion},
		{"greeting without a body", raw(1, 0, 0), BadLength},
		{"greeting cut", raw(1, 0, 0, Version, 0, 0), BadLength},
		{"greeting without a clock", AppendGreeting(nil, 0, noTick), BadValue},
		{"a channel of scale 0", AppendGreeting(nil, 0, noScale), BadValue},
		{"an unknown unit", AppendGreeting(nil, 0, strange), BadValue},
		{"data cut", raw(2, 0, 0, 1, 2, 3), BadLength},
		{"data of 9 channels", raw(2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 9, 0), BadValue},
		{"half an edge", raw(2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 2), BadLength},
		{"samples of no channel", raw(2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4), BadLength},
		{"status of 11 bytes", raw(3, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11), BadLength},
		{"a start with a body", raw(0x11, 0, 0, 1), BadLength},
		{"a loopback without a period", raw(0x13, 0, 0), BadLength},
	} {
		wire := append(bytes.Clone(c.wire), good...)
		for _, size := range []int{1, 7, len(wire)} {
			out := decodeAll(wire, size)
			if len(out) != 2 || out[0].why != c.want || out[0].wire != len(c.wire) || out[1].why != OK {
				t.Errorf("%s, chunks of %d: %+v, want %v and then the good frame", c.name, size, out, c.want)
			}
		}
	}
	var d Decoder
	d.Decode(AppendGreeting(nil, 0, otherVersion))
	if d.OtherVersion() != 9 {
		t.Errorf("other version %d, want 9", d.OtherVersion())
	}
}

// TestLockWithinOneFrame puts garbage of every kind before a train of frames:
// at most the first of them may be lost.
func TestLockWithinOneFrame(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for trial := range 3000 {
		garbage := make([]byte, rng.IntN(700))
		for i := range garbage {
			garbage[i] = byte(rng.Uint32())
			if trial%2 == 0 && garbage[i] == 0 {
				garbage[i] = 1 // nothing that ends
			}
		}
		wire := garbage
		const frames = 4
		for i := range frames {
			wire = AppendStatus(wire, uint16(i), &Status{Tick: rng.Uint32()})
		}
		var seqs []uint16
		for _, o := range decodeAll(wire, 1+rng.IntN(300), 1+rng.IntN(5)) {
			if o.why == OK {
				seqs = append(seqs, o.frame.Seq)
			}
		}
		if len(seqs) < frames-1 || seqs[len(seqs)-1] != frames-1 {
			t.Fatalf("trial %d, %d bytes of garbage: frames %v came through, at most the first may be missing", trial, len(garbage), seqs)
		}
	}
}

func TestWireBytesAreAllAccountedFor(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	var wire []byte
	for i := range 500 {
		d := randomData(rng)
		wire = AppendData(wire, uint16(i), &d)
	}
	for range 200 {
		wire[rng.IntN(len(wire))] ^= byte(1 + rng.IntN(255))
	}
	for _, size := range []int{1, 64, 4096} {
		var d Decoder
		ended, zeros := 0, 0
		for p := wire; len(p) > 0; {
			chunk := p[:min(size, len(p))]
			p = p[len(chunk):]
			for len(chunk) > 0 {
				before := d.Pending()
				n, f, why := d.Decode(chunk)
				chunk = chunk[n:]
				if f != nil || why != OK {
					ended += d.Wire()
					zeros += before + n - d.Wire() // 00 after 00
				}
			}
		}
		if ended+zeros+d.Pending() != len(wire) || zeros > 200 {
			t.Errorf("chunks of %d: %d bytes in frames, %d lone 00, %d pending, of %d", size, ended, zeros, d.Pending(), len(wire))
		}
	}
}

func TestNoAllocations(t *testing.T) {
	d := Data{Channels: 3, Samples: make([]int32, 90), Edges: make([]uint32, 1)}
	buf := make([]byte, 0, 1024)
	var dec Decoder
	if n := testing.AllocsPerRun(100, func() {
		buf = AppendData(buf[:0], 1, &d)
		buf = AppendStatus(buf, 2, &Status{})
		buf = AppendCommand(buf, 3, Command{Type: TypeAsk})
		for p := buf; len(p) > 0; {
			n, _, why := dec.Decode(p)
			if why != OK {
				t.Fatal(why)
			}
			p = p[n:]
		}
	}); n != 0 {
		t.Errorf("%v allocations a round", n)
	}
}

func TestTooMuchForAFramePanics(t *testing.T) {
	for name, d := range map[string]Data{
		"too long":                 {Channels: 8, Samples: make([]int32, 8*15)},
		"no multiple of channels":  {Channels: 3, Samples: make([]int32, 4)},
		"samples without channels": {Samples: make([]int32, 1)},
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			AppendData(nil, 0, &d)
		}()
	}
}

func FuzzDecode(f *testing.F) {
	rng := rand.New(rand.NewPCG(7, 8))
	data := randomData(rng)
	for _, seed := range [][]byte{
		AppendGreeting(nil, 0, greeting(3)),
		AppendStatus(AppendData(nil, 0xFFFF, &data), 0, &Status{}),
		append([]byte{0, 0, 1, 1, 0}, AppendCommand(nil, 1, Command{TypeLoopback, 5})...),
		raw(0x7F, 0, 0),
		append(bytes.Repeat([]byte{0xFF}, 300), 0),
	} {
		f.Add(seed, uint8(1), uint8(3))
	}
	f.Fuzz(func(t *testing.T, wire []byte, a, b uint8) {
		whole := decodeAll(wire, len(wire)+1)
		if parts := decodeAll(wire, int(a)+1, int(b)+1); !reflect.DeepEqual(whole, parts) {
			t.Fatalf("%s: whole %+v, in parts %+v", hex.EncodeToString(wire), whole, parts)
		}
		// an accepted data frame encodes to the same bytes
		for _, o := range whole {
			if o.why == OK && o.frame.Type == TypeData {
				if again := AppendData(nil, o.frame.Seq, &o.frame.Data); !bytes.Contains(wire, again) {
					t.Fatalf("%x does not hold %x", wire, again)
				}
			}
		}
		// two good frames after anything: the second is always seen
		tail := AppendStatus(AppendStatus(bytes.Clone(wire), 1, &Status{}), 2, &Status{Tick: 77})
		out := decodeAll(tail, int(b)+1)
		if last := out[len(out)-1]; last.why != OK || last.frame.Status.Tick != 77 {
			t.Fatalf("no lock after %x", wire)
		}
	})
}

// BenchmarkDecode is COBS, check and unpacking, per sample; BenchmarkCopy is
// what moving the same bytes costs.
func BenchmarkDecode(b *testing.B) {
	for _, c := range []struct {
		name     string
		channels int
		wide     bool
	}{{"3x16bit", 3, false}, {"4x24bit", 4, true}} {
		n := RoomFor(c.channels, c.wide, 1)
		d := Data{Channels: c.channels, Wide: c.wide, Edges: make([]uint32, 1)}
		rng := rand.New(rand.NewPCG(9, 9))
		for range n * c.channels {
			d.Samples = append(d.Samples, int32(rng.IntN(1024))-512)
		}
		var wire []byte
		const frames = 100
		for i := range frames {
			wire = AppendData(wire, uint16(i), &d)
		}
		perSample := func(b *testing.B) {
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(frames*n*c.channels), "ns/sample")
		}
		b.Run(c.name, func(b *testing.B) {
			b.SetBytes(int64(len(wire)))
			b.ReportAllocs()
			var dec Decoder
			for b.Loop() {
				for p := wire; len(p) > 0; {
					n, f, _ := dec.Decode(p)
					if f == nil {
						b.Fatal("refused")
					}
					p = p[n:]
				}
			}
			perSample(b)
		})
		b.Run(c.name+"-copy", func(b *testing.B) {
			b.SetBytes(int64(len(wire)))
			dst := make([]byte, len(wire))
			for b.Loop() {
				copy(dst, wire)
			}
			perSample(b)
		})
	}
}
