package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"text/tabwriter"

	"counterpoise/internal/acq/tickline"
)

// spoiler damages a stream at one place; it returns what is left of a frame.
type spoiler struct {
	name  string
	spoil func(rng *rand.Rand, wire []byte) []byte
}

var spoilers = []spoiler{
	{"one bit flipped", func(rng *rand.Rand, w []byte) []byte { return flip(rng, w, 1) }},
	{"2 to 8 bits flipped", func(rng *rand.Rand, w []byte) []byte { return flip(rng, w, 2+rng.IntN(7)) }},
	{"a burst of up to 64 bits", func(rng *rand.Rand, w []byte) []byte {
		at := rng.IntN(len(w))
		for i := at; i < min(len(w), at+1+rng.IntN(8)); i++ {
			w[i] ^= byte(rng.Uint32())
		}
		return w
	}},
	{"1 to 4 bytes inserted", func(rng *rand.Rand, w []byte) []byte {
		for range 1 + rng.IntN(4) {
			at := rng.IntN(len(w) + 1)
			w = append(w[:at], append([]byte{byte(rng.Uint32())}, w[at:]...)...)
		}
		return w
	}},
	{"1 to 4 bytes deleted", func(rng *rand.Rand, w []byte) []byte {
		for range 1 + rng.IntN(4) {
			at := rng.IntN(len(w))
			w = append(w[:at], w[at+1:]...)
		}
		return w
	}},
	{"cut off, the next glued on", func(rng *rand.Rand, w []byte) []byte { return w[:rng.IntN(len(w)-1)] }},
	{"every byte random", func(rng *rand.Rand, w []byte) []byte {
		for i := range w {
			w[i] = byte(rng.Uint32())
		}
		return append(w, 0)
	}},
	{"random, right COBS", func(rng *rand.Rand, w []byte) []byte {
		for i := range w {
			w[i] = byte(1 + rng.IntN(255))
		}
		w[0] = byte(len(w) - 1)
		w[len(w)-1] = 0
		return w
	}},
}

func flip(rng *rand.Rand, w []byte, bits int) []byte {
	for range bits {
		w[rng.IntN(len(w))] ^= 1 << rng.IntN(8)
	}
	return w
}

// ticklineFrames damages frames and asks the decoder what it makes of them. A
// frame is wrongly accepted when it differs from what was sent. Every damaged
// frame is followed by two good ones, the second of which must be accepted.
func ticklineFrames(ctx context.Context, w io.Writer, args []string) error {
	fs := flag.NewFlagSet("tickline", flag.ContinueOnError)
	n := fs.Int("n", 1_000_000, "damaged frames")
	seed := fs.Uint64("seed", 1, "of the damage")
	if err := fs.Parse(args); err != nil {
		return err
	}
	each := *n / len(spoilers)
	tab := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(tab, "damage\tframes\t")
	for _, r := range tickline.Reasons {
		fmt.Fprintf(tab, "%v\t", r)
	}
	fmt.Fprint(tab, "undone\twrong\tlost lock\t\n")
	wrong, unlocked := 0, 0
	for i, s := range spoilers {
		t, err := damage(ctx, s, each, rand.New(rand.NewPCG(*seed, uint64(i))))
		if err != nil {
			return err
		}
		fmt.Fprintf(tab, "%s\t%d\t", s.name, each)
		for _, r := range tickline.Reasons {
			fmt.Fprintf(tab, "%d\t", t.refused[r])
		}
		fmt.Fprintf(tab, "%d\t%d\t%d\t\n", t.same, t.wrong, t.unlocked)
		wrong, unlocked = wrong+t.wrong, unlocked+t.unlocked
	}
	tab.Flush()
	fmt.Fprintf(w, "%d damaged frames, seed %d: %d wrongly accepted, lock lost beyond one frame %d times\n", each*len(spoilers), *seed, wrong, unlocked)
	fmt.Fprintf(w, "(undone: the damage left the frame as it was sent, which is then rightly accepted; a row may count more than one refusal a frame, or none where two frames ran into one)\n")
	if wrong > 0 || unlocked > 0 {
		return errors.New("the codec took damaged frames for good ones, or lost its lock")
	}
	return nil
}

type damageTally struct {
	refused               map[tickline.Reason]int
	same, wrong, unlocked int
}

func damage(ctx context.Context, s spoiler, n int, rng *rand.Rand) (damageTally, error) {
	t := damageTally{refused: map[tickline.Reason]int{}}
	var dec tickline.Decoder
	var wire []byte
	for i := range n {
		if i%10000 == 0 && ctx.Err() != nil {
			return t, ctx.Err()
		}
		sent := randomFrame(rng)
		wire = s.spoil(rng, append(wire[:0], sent...))
		one := tickline.AppendStatus(nil, 1, &tickline.Status{Tick: rng.Uint32()})
		two := tickline.AppendStatus(nil, 2, &tickline.Status{Tick: rng.Uint32()})
		wire = append(append(wire, one...), two...)
		locked := false
		for p := wire; len(p) > 0; {
			k, f, why := dec.Decode(p)
			p = p[k:]
			switch {
			case f == nil && why != tickline.OK:
				t.refused[why]++
			case f == nil:
			default:
				again := encodeFrame(f)
				switch {
				case bytes.Equal(again, two):
					locked = true
				case bytes.Equal(again, one):
				case bytes.Equal(again, sent):
					t.same++
				default:
					t.wrong++
				}
			}
		}
		if !locked {
			t.unlocked++
		}
	}
	return t, nil
}

// randomFrame is a frame of any type of a board.
func randomFrame(rng *rand.Rand) []byte {
	seq := uint16(rng.Uint32())
	switch rng.IntN(10) {
	case 0:
		return tickline.AppendStatus(nil, seq, &tickline.Status{Tick: rng.Uint32(), Drops: uint16(rng.IntN(3)), TachRejected: uint16(rng.Uint32())})
	case 1:
		g := tickline.Greeting{
			Protocol: tickline.Version, Board: "board-a", ID: rng.Uint64(), Bits: 10, SampleBytes: 2, FrameSamples: 20, Pulses: 1,
			TickHz: 16_000_000, SampleTicks: 8000,
		}
		for range 1 + rng.IntN(tickline.MaxChannels) {
			g.Channels = append(g.Channels, tickline.Channel{Name: "ch", Scale: rng.Float32() + 1e-6, Zero: int32(rng.IntN(1024)), FullScale: 511})
		}
		return tickline.AppendGreeting(nil, seq, &g)
	}
	d := tickline.Data{
		Tick: rng.Uint32(), Sample: rng.Uint32(), Edge: uint16(rng.Uint32()), Channels: 1 + rng.IntN(4), Wide: rng.IntN(2) == 0,
	}
	for range rng.IntN(3) {
		d.Edges = append(d.Edges, rng.Uint32())
	}
	for range d.Channels * rng.IntN(1+tickline.RoomFor(d.Channels, d.Wide, len(d.Edges))) {
		d.Samples = append(d.Samples, int32(rng.IntN(1024))-512)
	}
	return tickline.AppendData(nil, seq, &d)
}

func encodeFrame(f *tickline.Frame) []byte {
	switch f.Type {
	case tickline.TypeGreeting:
		return tickline.AppendGreeting(nil, f.Seq, &f.Greeting)
	case tickline.TypeData:
		return tickline.AppendData(nil, f.Seq, &f.Data)
	case tickline.TypeStatus:
		return tickline.AppendStatus(nil, f.Seq, &f.Status)
	}
	return tickline.AppendCommand(nil, f.Seq, f.Command)
}
