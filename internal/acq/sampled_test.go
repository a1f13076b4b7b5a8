package acq

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// all reads a source to its end; blocks are copies.
func all(t testing.TB, s Source) (blocks []Block) {
	t.Helper()
	for {
		b, err := s.Next(context.Background())
		if err == io.EOF {
			return blocks
		}
		if err != nil {
			t.Fatal(err)
		}
		blocks = append(blocks, cloneBlock(b))
	}
}

func cloneBlock(b *Block) Block {
	c := *b
	c.Samples = nil
	for _, s := range b.Samples {
		c.Samples = append(c.Samples, append([]float32{}, s...))
	}
	c.Edges = append([]Edge{}, b.Edges...)
	return c
}

func write(t testing.TB, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func open(t testing.TB, word string) Source {
	t.Helper()
	s, err := Open(word, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// pulses is a train of trapezoidal tach pulses: period and width in samples,
// rise of two samples, the first rise half way up at first.
func pulses(n int, first, period, width float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		p := math.Mod(float64(i)-first+1, period)
		if p < 0 {
			p += period
		}
		switch {
		case p < 2:
			x[i] = p / 2
		case p < width:
			x[i] = 1
		case p < width+2:
			x[i] = 1 - (p-width)/2
		}
	}
	return x
}

func TestCSVSamplesAndEdges(t *testing.T) {
	const n = 5000
	period, first := 333.37, 100.25
	tach := pulses(n, first, period, 20)
	var b strings.Builder
	b.WriteString("# made by a test\nt_ms,ax,tacho,ay\n")
	for i := range n {
		fmt.Fprintf(&b, "%.6f,%.6f,%.6f,%d\n", float64(i)/25, math.Sin(float64(i)/50), 3.3*tach[i], i)
	}
	path := write(t, "run.csv", []byte(b.String()))
	for _, query := range []string{
		"rate=25000&tach=tacho&channels=ax,ay&header=1&scale.ax=9.81&unit.ax=m/s^2",
		"time=t_ms&time_unit=ms&tach=2&channels=1,3&scale.1=9.81&unit.1=m/s^2&threshold=1.65",
		"time=0&time_unit=ms&tach=tacho&scale.ax=9810&unit.ax=mm/s&scale.ay=1",
	} {
		s := open(t, "file:"+path+"?"+query)
		setup := s.Setup()
		if setup.Rate != 25000 || !setup.HasTach || len(setup.Channels) != 2 || setup.Channels[0].Name != "ax" || setup.Channels[1].Name != "ay" {
			t.Fatalf("%s: setup %+v", query, setup)
		}
		var edges []Edge
		at := 0
		for _, blk := range all(t, s) {
			for i := range blk.Len() {
				if got, want := float64(blk.Samples[0][i]), 9.81*math.Sin(float64(at)/50); !(math.Abs(got-want) <= 2e-5) || blk.Samples[1][i] != float32(at) {
					t.Fatalf("%s: sample %d is %v, %v", query, at, got, blk.Samples[1][i])
				}
				at++
			}
			for _, e := range blk.Edges {
				edges = append(edges, Edge{e.Pos + float64(blk.Sample), e.Number})
			}
		}
		if want := int(math.Floor((n-first)/period)) + 1; at != n || len(edges) != want {
			t.Fatalf("%s: %d samples, %d edges, want %d and %d", query, at, len(edges), n, want)
		}
		for k, e := range edges {
			if want := first + float64(k)*period; !(math.Abs(e.Pos-want) <= 1e-4) || e.Number != uint64(k) {
				t.Errorf("%s: edge %d at %.5f, want %.5f", query, e.Number, e.Pos, want)
			}
		}
	}
	s := open(t, "file:"+path+"?rate=25000&tach=tacho&edge=falling&pulses=2&delay.tacho=0.001&delay.ax=0.002")
	if su := s.Setup(); su.PulsesPerTurn != 2 || su.TachDelay != 0.001 || su.Channels[1].Delay != 0.002 || len(su.Channels) != 3 {
		t.Errorf("setup %+v", su)
	}
	b0 := all(t, s)[0]
	if got, want := b0.Edges[0].Pos, first+20; !(math.Abs(got-want) <= 1e-4) {
		t.Errorf("falling edge at %v, want %v", got, want)
	}
}

func TestCSVForms(t *testing.T) {
	for name, text := range map[string]string{
		"no header":                "1,2\n3,4\n",
		"byte order mark":          "\xEF\xBB\xBFa,b\n1,2\n3,4\n",
		"semicolon, decimal comma": "a;b\n1,0;2,0\n3;4\n",
		"tabs":                     "a\tb\n1\t2\n3\t4\n",
		"blanks and CRLF":          "a, b\r\n 1, 2\r\n3,4\r\n",
		"comments and blank lines": "# x\na,b\n\n1,2\n# y\n3,4\n",
		"no last newline":          "a,b\n1,2\n3,4",
	} {
		s := open(t, "file:"+write(t, "x.csv", []byte(text))+"?rate=10")
		b := all(t, s)
		if len(b) != 1 || fmt.Sprint(b[0].Samples) != "[[1 3] [2 4]]" {
			t.Errorf("%s: %+v", name, b)
		}
	}
	s := open(t, "file:"+write(t, "x.csv", []byte("made by\nsomebody,x,y\na,b\n1,2\n"))+"?rate=10&header=3")
	if b := all(t, s); len(b) != 1 || s.Setup().Channels[1].Name != "b" {
		t.Errorf("three header lines: %+v %+v", s.Setup(), b)
	}
}

func TestBadCSVNamesLineAndColumn(t *testing.T) {
	for _, c := range []struct{ text, query, want string }{
		{"a,b\n1,2\n3,x4\n", "rate=10", `line 3, column 2 (b): "x4" is not a number`},
		{"a,b\n1,2\nNaN,4\n", "rate=10", `line 3, column 1 (a): "NaN" is not a number`},
		{"a,b\n1,2\n3,\n", "rate=10", `line 3, column 2 (b): "" is not a number`},
		{"a,b\n1,2\n3,1e999\n", "rate=10", `line 3, column 2`},
		{"a,b\n1,2\n3\n", "rate=10", "line 3 has 1 columns where 2 are expected"},
		{"a,b\n1,2\n\"3,4\n", "rate=10", "line 3, column"},
		{"", "rate=10", "holds no numbers"},
		{"\xff\xfea\x00,\x00b\x00\n\x00", "rate=10", "UTF-16"},
		{"a,b\n1,2\n", "", "does not say how fast"},
		{"a,b\n1,2\n", "rate=-5", "rate=-5 must be a number"},
		{"a,b\n1,2\n", "rate=10&tach=c", `has no column "c": it has a, b`},
		{"a,b\n1,2\n", "rate=10&tresh=3", "option tresh is not known here"},
		{"a,b\n1,2\n", "rate=10&rate=20", "rate is given twice"},
		{"a,b\n1,2\n", "rate=10&unit.a=furlong", `unit "furlong" is not known`},
		{"a,b\n1,2\n", "rate=10&scale.a=0", "a scale of 0 would silence"},
		{"a,b\n1,2\n", "rate=10&edge=up", "edge=up is not known: use rising or falling"},
		{"t,b\n1,2\n2,3\n1,4\n", "time=t", "line 4, column 1 (t): time goes backwards"},
		{"t,b\n1,2\n1,3\n1,4\n", "time=t", "do not advance"},
		{"t,b\n1,2\n", "time=t&time_unit=days", "time_unit=days is not known"},
	} {
		s, err := Open("file:"+write(t, "x.csv", []byte(c.text))+"?"+c.query, Options{})
		for err == nil {
			_, err = s.Next(context.Background())
		}
		if !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q?%s: %v, want %q", c.text, c.query, err, c.want)
		}
	}
}

// TestBatchedTimes has the pattern of a telephone's log: most steps zero, the
// rest the period at which a queue was emptied.
func TestBatchedTimes(t *testing.T) {
	var b strings.Builder
	b.WriteString("t_ms,x\n")
	for i := range 1000 {
		fmt.Fprintf(&b, "%.3f,%d\n", float64(i*10/33)*33, i)
	}
	s := open(t, "file:"+write(t, "phone.csv", []byte(b.String()))+"?time=t_ms&time_unit=ms")
	su := s.Setup()
	if len(su.Notes) != 1 || !strings.Contains(su.Notes[0], "batches") || !(math.Abs(su.Rate-100) <= 0.5) {
		t.Errorf("rate %v, notes %q", su.Rate, su.Notes)
	}
	if s.Link().Reason != su.Notes[0] {
		t.Errorf("link %+v", s.Link())
	}
	if blocks := all(t, s); s.Counts().Samples != 1000 || blocks[0].Gap != NoLoss {
		t.Errorf("%+v", s.Counts())
	}
}

func TestHoleInTheTimesIsAGap(t *testing.T) {
	var b strings.Builder
	b.WriteString("t,x\n")
	for i := range 500 {
		if i < 200 || i >= 230 {
			fmt.Fprintf(&b, "%.4f,%d\n", float64(i)*0.001, i)
		}
	}
	s := open(t, "file:"+write(t, "hole.csv", []byte(b.String()))+"?time=t")
	blocks := all(t, s)
	if len(blocks) != 2 || blocks[0].Len() != 200 || blocks[1].Gap != ClockStep || blocks[1].Lost != 30 || blocks[1].Sample != 230 || blocks[1].Samples[0][0] != 230 {
		t.Errorf("%d blocks: %+v", len(blocks), blocks)
	}
	if c := s.Counts(); c.LostSamples != 30 || c.Samples != 470 || c.Gaps["clock_step"] != 1 || !(math.Abs(s.Setup().Rate-1000) <= 1e-6) {
		t.Errorf("%+v, rate %v", c, s.Setup().Rate)
	}
}

func TestWindowsDriveLetterAndEscapes(t *testing.T) {
	w, err := parseWord(`file:C:\data\a%3Fb.csv?tach=a%26b&unit.x=m/s^2&x=1+1`)
	if err != nil || w.path != `C:\data\a?b.csv` || w.args["tach"] != "a&b" || w.args["unit.x"] != "m/s^2" || w.args["x"] != "1+1" {
		t.Errorf("%+v, %v", w, err)
	}
	for _, bad := range []string{"", "x", "file:", "ftp:x", "file:a%zz", "file:a?b=%zz", "run.csv"} {
		if _, err := parseWord(bad); err == nil || !strings.Contains(err.Error(), "source") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func TestPCMFromStandardInput(t *testing.T) {
	var b []byte
	tach := pulses(48000, 500.5, 1920, 100)
	for i := range 48000 {
		b = binary.LittleEndian.AppendUint16(b, uint16(int16(i%1000)))
		b = binary.LittleEndian.AppendUint16(b, uint16(int16(-20000*tach[i]))) // upside down
	}
	b = append(b, 1, 2, 3) // cut off in the middle of an instant
	s, err := Open("-?format=s16le&rate=48000&width=2&tach=1&channels=0&edge=falling", Options{Stdin: strings.NewReader(string(b))})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	blocks := all(t, s)
	n, edges := 0, 0
	for _, blk := range blocks {
		for i, v := range blk.Samples[0] {
			if want := float32((n+i)%1000) / 32768; v != want {
				t.Fatalf("sample %d is %v, want %v", n+i, v, want)
			}
		}
		for _, e := range blk.Edges {
			if want := 500.5 + 1920*float64(edges); !(math.Abs(e.Pos+float64(n)-want) <= 1e-3) {
				t.Errorf("edge %d at %v, want %v", edges, e.Pos+float64(n), want)
			}
			edges++
		}
		n += blk.Len()
	}
	if n != 48000 || edges != 25 {
		t.Errorf("%d samples, %d edges", n, edges)
	}
	if c := s.Setup().Channels[0]; c.FullScale != 1 || c.Step != 1.0/32768 {
		t.Errorf("%+v", c)
	}
	for query, want := range map[string]string{
		"-?format=s16le":               "does not say how fast",
		"-?format=s17le&rate=5":        "cannot be told",
		"-?format=s16le&rate=5&tach=1": "has no column",
	} {
		if _, err := Open(query, Options{Stdin: strings.NewReader("")}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", query, err)
		}
	}
}
