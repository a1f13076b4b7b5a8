package tickline

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"testing"
)

// describe lists what a frame says, one "key = value" a line, in the words of
// hw/PROTOCOL.md.
func describe(f *Frame) (lines []string) {
	say := func(key string, v any) { lines = append(lines, fmt.Sprintf("%s = %v", key, v)) }
	say("seq", f.Seq)
	switch f.Type {
	case TypeGreeting:
		g := &f.Greeting
		say("protocol", g.Protocol)
		say("flags", g.Flags)
		say("bits", g.Bits)
		say("sample_bytes", g.SampleBytes)
		say("frame_samples", g.FrameSamples)
		say("pulses", g.Pulses)
		say("channels", len(g.Channels))
		say("self_test", g.SelfTest)
		say("reference_mv", g.ReferenceMV)
		say("firmware", fmt.Sprintf("%d.%d", g.Firmware>>8, g.Firmware&0xFF))
		say("tick_hz", g.TickHz)
		say("sample_ticks", g.SampleTicks)
		say("tach_delay_ticks", g.TachDelayTicks)
		say("id", fmt.Sprintf("%016x", g.ID))
		say("board", g.Board)
		for i, c := range g.Channels {
			say(fmt.Sprintf("channel %d", i), fmt.Sprintf("%s, unit %d, scale %v, zero %d, full_scale %d, delay_ticks %d", c.Name, c.Unit, c.Scale, c.Zero, c.FullScale, c.DelayTicks))
		}
	case TypeData:
		d := &f.Data
		say("tick", d.Tick)
		say("sample", d.Sample)
		say("edge", d.Edge)
		say("drops", d.Drops)
		say("channels", d.Channels)
		say("bits", 8*d.Width())
		say("samples", d.Samples)
		say("edges", d.Edges)
	case TypeStatus:
		s := f.Status
		say("tick", s.Tick)
		say("overruns", s.Overruns)
		say("drops", s.Drops)
		say("tach_rejected", s.TachRejected)
		say("tach_lost", s.TachLost)
	case TypeLoopback:
		say("period_ticks", f.Command.PeriodTicks)
	case TypeMark:
		say("unix_us", f.Mark.UnixMicro)
	}
	return lines
}

// encode is the frame again.
func encode(f *Frame) []byte {
	switch f.Type {
	case TypeGreeting:
		return AppendGreeting(nil, f.Seq, &f.Greeting)
	case TypeData:
		return AppendData(nil, f.Seq, &f.Data)
	case TypeStatus:
		return AppendStatus(nil, f.Seq, &f.Status)
	case TypeMark:
		return AppendMark(nil, f.Mark)[1:] // without the 00 before it
	}
	return AppendCommand(nil, f.Seq, f.Command)
}

// worked are the blocks of the document that begin with ```frame NAME.
func worked(t *testing.T) map[string][]string {
	doc, err := os.ReadFile("../../../hw/PROTOCOL.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := map[string][]string{}
	name := ""
	for line := range strings.Lines(string(doc)) {
		line = strings.TrimSpace(line)
		switch {
		case strings.HasPrefix(line, "```frame "):
			name = strings.TrimPrefix(line, "```frame ")
		case line == "```":
			name = ""
		case name != "":
			blocks[name] = append(blocks[name], line)
		}
	}
	return blocks
}

// TestWorkedFramesOfTheDocument decodes every frame that the specification
// shows, compares what it says, and encodes it to the same bytes.
func TestWorkedFramesOfTheDocument(t *testing.T) {
	blocks := worked(t)
	for name, lines := range blocks {
		wireText, ok := strings.CutPrefix(lines[0], "wire = ")
		wire, err := hex.DecodeString(strings.ReplaceAll(wireText, " ", ""))
		if !ok || err != nil {
			t.Errorf("%s: the first line must be wire = and hexadecimal bytes: %v", name, err)
			continue
		}
		var d Decoder
		n, f, why := d.Decode(wire)
		if want, refused := strings.CutPrefix(lines[1], "refused = "); refused {
			if f != nil || why.String() != want || n != len(wire) {
				t.Errorf("%s: %v, want %s", name, why, want)
			}
			continue
		}
		if f == nil || n != len(wire) {
			t.Errorf("%s: refused as %v", name, why)
			continue
		}
		if got, want := strings.Join(describe(f), "\n"), strings.Join(lines[1:], "\n"); got != want {
			t.Errorf("%s says\n%s\nthe document says\n%s", name, got, want)
		}
		if again := encode(f); !bytes.Equal(again, wire) {
			t.Errorf("%s encodes to % x", name, again)
		}
	}
	if len(blocks) < 11 {
		t.Errorf("the document shows %d frames; there were 11", len(blocks))
	}
}
