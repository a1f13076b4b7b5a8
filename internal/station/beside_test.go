package station

import (
	"context"
	"log/slog"
	"math"
	"math/cmplx"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// shaken is a feed in whose floor another fan is felt.
type shaken struct {
	*feed
	hz float64
}

func (f shaken) Next(ctx context.Context) (*acq.Block, error) {
	b, err := f.feed.Next(ctx)
	if err == nil {
		for i := range b.Samples[0] {
			b.Samples[0][i] += float32(math.Cos(2*math.Pi*f.hz*float64(b.Sample+uint64(i))/feedRate + 1))
		}
	}
	return b, err
}

// faster is a feed of a rotor that turns by a ratio faster.
type faster struct {
	*feed
	ratio float64
}

func (f faster) Next(ctx context.Context) (*acq.Block, error) {
	b, err := f.feed.Next(ctx)
	if err == nil {
		b.Edges = b.Edges[:0]
		per := feedRate / (feedTurns * f.ratio)
		for k := math.Ceil(float64(b.Sample) / per); k*per < float64(b.Sample+feedLen); k++ {
			b.Edges = append(b.Edges, acq.Edge{Pos: k*per - float64(b.Sample), Number: uint64(k)})
		}
	}
	return b, err
}

// A fan beside this one, known by the tach of its own station, is removed from the
// readings and goes on to be as its speed is; where it is too near for as many turns
// as were asked for, the reading takes more.
func TestBesideAnotherStation(t *testing.T) {
	for _, c := range []struct {
		ratio float64
		turns int // of the reading; at least 64
	}{{1.03, 64}, {1.0065, 120}} {
		synctest.Test(t, func(t *testing.T) {
			near, far := newFeed(2), newFeed(1)
			near.paced, far.paced = true, true
			quiet := slog.New(slog.DiscardHandler)
			a := New(StationConfig{Name: "a", Orders: []int{1}, Beside: []BesideConfig{{Name: "the other", Station: "b"}}}, shaken{near, feedTurns * c.ratio}, quiet)
			b := New(StationConfig{Name: "b", Orders: []int{1}}, faster{far, c.ratio}, quiet)
			Introduce([]*Station{a, b})
			ctx, cancel := context.WithCancel(t.Context())
			var wg sync.WaitGroup
			for _, s := range []*Station{b, a} {
				wg.Go(func() { s.Run(ctx) })
			}
			defer wg.Wait()
			defer cancel()
			if _, err := b.Take(ctx, Ask{MinTurns: 64}); err != nil {
				t.Fatal(err)
			}
			r, err := a.Take(ctx, Ask{MinTurns: 64})
			if err != nil {
				t.Fatal(err)
			}
			if v := r.Channels[0].Orders[0].Value; !(cmplx.Abs(v-2) < 0.01) || r.Method != "joint" || !strings.Contains(r.Why, "the other") || !r.Trusted() || r.Turns < c.turns || r.Turns > c.turns+8 {
				t.Errorf("ratio %v: %v by %s over %d turns: %s %v", c.ratio, v, r.Method, r.Turns, r.Why, r.Flags)
			}
			n := a.Latest()
			if len(n.Beside) != 1 || !(math.Abs(n.Beside[0].Hz-feedTurns*c.ratio) < 1e-3) {
				t.Errorf("beside: %v", n.Beside)
			}
			if k := Naming(rotor.Machine{Poles: 4, MotorRatio: 2, BeltRatio: 0.5}, n.Speed, 0, n.Beside); len(k.Shafts) != 3 || k.Motor != 1 || !(math.Abs(k.BeltHz-feedTurns/2) < 1e-6) || k.Shafts[2].Name != "the other" {
				t.Errorf("named by %+v", k)
			}
		})
	}
}

// The line frequency is heard in the live spectrum, not assumed.
func TestBesideTheLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(2)
		f.paced = true
		a := New(StationConfig{Name: "a", Orders: []int{1, 5}, Beside: []BesideConfig{{Name: "line frequency", Line: true}}}, shaken{f, 50.03}, slog.New(slog.DiscardHandler))
		ctx, cancel := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		wg.Go(func() { a.Run(ctx) })
		defer wg.Wait()
		defer cancel()
		r, err := a.Take(ctx, Ask{MinTurns: 200}) // ten seconds, too few
		if err != nil {
			t.Fatal(err)
		}
		// Twice the line stands 0.06 Hz beside the fifth order: 247 turns tell them apart.
		if v := r.Channels[0].Orders[0].Value; !(cmplx.Abs(v-2) < 0.01) || !r.Trusted() || r.Turns < 240 || r.Turns > 264 || !strings.Contains(r.Why, "twice line frequency at 100.0") {
			t.Errorf("%v over %d turns: %s %v", v, r.Turns, r.Why, r.Flags)
		}
	})
}

func TestBesideInTheFile(t *testing.T) {
	const two = "[[station]]\nname = \"a\"\nsource = \"-\"\n%\n[[station]]\nname = \"b\"\nsource = \"-\"\n"
	for text, want := range map[string]string{
		"[[station.beside]]\nstation = \"b\"":              "",
		"[[station.beside]]\nname = \"pump\"\nrpm = 1450":  "",
		"[[station.beside]]\nline = true":                  "",
		"[[station.beside]]\nstation = \"a\"":              "another station",
		"[[station.beside]]\nstation = \"c\"":              "another station",
		"[[station.beside]]\nrpm = 1450":                   "name is missing",
		"[[station.beside]]\nname = \"x\"":                 "say one of",
		"[[station.beside]]\nstation = \"b\"\nline = true": "say one of",
		"[station.machine]\npoles = 3":                     "poles",
		"[station.machine]\npoles = 4\nmotor_ratio = 1.9":  "",
		"[station.machine]\nbelt_ratio = -1":               "belt_ratio",
		"[[station.beside]]\nname = \"pump\"\nrpm = -1450": "rpm",
	} {
		c, err := ReadConfig(strings.NewReader(strings.Replace(two, "%", text, 1)))
		if want == "" {
			if err != nil || strings.Contains(text, "beside") && (len(c.Stations[0].Beside) != 1 || c.Stations[0].Beside[0].Name == "") {
				t.Errorf("%s: %v", text, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}
