package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
)

var measureCommand = command{
	name: "measure", args: "SOURCE [--json]", summary: "1x and other orders, overall level and spectrum of a source",
	run: runMeasure,
}

// measurement is what measure was asked for.
type measurement struct {
	orders       []int
	ordersAsked  bool
	from, length float64 // s; length 0 = to the end
	convention   rotor.Convention
	quantity     rotor.Quantity // Raw = what suits the channel
	spectrum     bool
	json, follow bool
	blades       int
	poles        int
	lineHz       float64
	speed        speedTask
	look         spectrum.Config
	weights      phase.Method
	beside       []phase.Tone
	supply       bool // once and twice the line frequency are beside, too
	shape        int  // points of the averaged turn; 0 = none
}

const (
	liveSeconds   = 10 // of a live source, unless --for says otherwise
	followTurns   = 64 // in a rolling reading
	followSeconds = 1  // between two lines of --follow
	spectrumHz    = 1000
)

func runMeasure(ctx context.Context, e env, args []string) error {
	m, source, err := measureOptions(e, args)
	if err != nil {
		return err
	}
	if m.speed.wanted() {
		return m.runSpeed(ctx, e, source)
	}
	src, err := openSource(ctx, source, e.sourceOptions())
	if err != nil {
		return err
	}
	defer src.Close()
	if m.length == 0 && !m.follow && isLive(source) {
		m.length = liveSeconds
	}
	return m.run(ctx, e, src)
}

func isLive(source string) bool {
	kind, _, _ := strings.Cut(source, ":")
	return kind == "serial" || kind == "tcp" || kind == "rig"
}

func measureOptions(e env, args []string) (m measurement, source string, err error) {
	o := newOptions("measure", e)
	o.BoolVar(&m.json, "json", false, "answer as JSON")
	o.BoolVar(&m.follow, "follow", false, "a rolling reading every second until the source ends")
	o.BoolVar(&m.spectrum, "spectrum", false, "the averaged spectrum and its peaks, too")
	orders := o.String("orders", "1", "orders of running speed, for instance 1,2")
	o.Float64Var(&m.from, "from", 0, "seconds to leave out at the beginning")
	o.Float64Var(&m.length, "for", 0, "seconds to measure (a live source: 10; a recording: all of it)")
	convention := o.String("convention", "with-rotation", "how angles are counted: with-rotation or against-rotation")
	quantity := o.String("quantity", "", "acceleration, velocity or displacement (velocity for an acceleration channel)")
	o.IntVar(&m.blades, "blades", 0, "blades of the fan, to name blade pass in the spectrum")
	o.Float64Var(&m.lineHz, "line", 0, "nominal line frequency in Hz, 50 or 60, to name it in the spectrum")
	o.IntVar(&m.poles, "poles", 0, "poles of the motor, to name slip sidebands in the spectrum")
	o.IntVar(&m.shape, "shape", 0, "with --json: the averaged turn of every channel, on so many angles from the mark")
	m.speed.options(o)
	finish := m.viewOptions(o)
	rest, err := o.parse(args)
	if err == nil {
		err = finish()
	}
	if err != nil {
		return m, "", err
	}
	if len(rest) != 1 {
		return m, "", fmt.Errorf("%w: name one source, for instance file:run.wav?tach=1", errUsage)
	}
	if m.convention, err = rotor.ParseConvention(*convention); err != nil {
		return m, "", fmt.Errorf("%w: %w", errUsage, err)
	}
	if *quantity != "" {
		if m.quantity, err = rotor.ParseQuantity(*quantity); err != nil {
			return m, "", fmt.Errorf("%w: %w", errUsage, err)
		}
	}
	if !(m.from >= 0) || !(m.length >= 0) || math.IsInf(m.from, 0) || math.IsInf(m.length, 0) {
		return m, "", fmt.Errorf("%w: --from and --for are seconds and cannot be negative", errUsage)
	}
	m.ordersAsked = o.given("orders")
	m.orders, err = parseOrders(*orders)
	return m, rest[0], err
}

func parseOrders(list string) (orders []int, err error) {
	for _, word := range strings.Split(list, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(word))
		if err != nil || n < 1 || n > 64 {
			return nil, fmt.Errorf("%w: order %q is not a whole number from 1 to 64", errUsage, word)
		}
		orders = append(orders, n)
	}
	return orders, nil
}

// given reports whether an option stood on the command line.
func (o options) given(name string) (found bool) {
	o.Visit(func(f *flag.Flag) { found = found || f.Name == name })
	return found
}

// bench is the chain that one measurement runs through.
type bench struct {
	m        *measurement
	turns    *phase.Extractor
	average  *phase.Average
	spectra  *spectrum.Averager
	coarse   *spectrum.Averager // for records too short for spectra
	levels   *spectrum.Levels
	slow     *spectrum.Levels // for a rotor slower than the band of levels is made for
	shapes   *phase.Shapes    // nil where nobody asked
	setup    *acq.Setup
	edges    uint64
	started  bool
	first    uint64  // tick of the first block
	elapsed  float64 // s of board time since, up to the end of the newest block
	reported float64
}

func (m *measurement) run(ctx context.Context, e env, src acq.Source) error {
	b := &bench{m: m, turns: phase.NewExtractor(phase.Config{Orders: m.orders})}
	window := 0
	if m.follow {
		window = followTurns
	}
	b.average = phase.NewAverage(phase.AverageConfig{Turns: window, Method: m.weights})
	coarse := m.look
	coarse.Lines = 400
	b.spectra, b.coarse = spectrum.New(m.look), spectrum.New(coarse)
	b.levels = spectrum.NewLevels(spectrum.LevelsConfig{})
	b.slow = spectrum.NewLevels(spectrum.LevelsConfig{Speed: rotor.RadPerSecond(1)})
	if m.shape > 0 {
		b.shapes = phase.NewShapes(m.shape, window)
	}
	for {
		block, err := src.Next(ctx)
		if errors.Is(err, io.EOF) || errors.Is(err, context.Canceled) && b.started {
			break
		}
		if err != nil {
			return err
		}
		done := b.add(block)
		if m.follow && b.elapsed-b.reported >= followSeconds {
			b.reported = b.elapsed
			if err := b.report(e.stdout); err != nil {
				return err
			}
		}
		if done {
			break
		}
	}
	if m.follow && b.reported > 0 {
		return nil
	}
	if err := b.complain(); err != nil {
		return err
	}
	return b.report(e.stdout)
}

// add measures the wanted part of a block and reports whether the end is
// reached.
func (b *bench) add(block *acq.Block) (done bool) {
	if !b.started {
		b.first, b.started = block.Tick, true
	}
	if b.setup != block.Setup {
		b.setup = block.Setup
	}
	at := float64(int64(block.Tick-b.first)) / block.Setup.TickHz
	rate := block.Setup.Rate
	b.elapsed = at + float64(block.Len())/rate
	from := max(0, int(math.Ceil((b.m.from-at)*rate-1e-6)))
	to := block.Len()
	if b.m.length > 0 {
		end := (b.m.from + b.m.length - at) * rate
		done = end <= float64(to)
		to = max(0, min(to, int(math.Ceil(end-1e-6))))
	}
	if from >= to {
		return done
	}
	block = part(block, from, to)
	b.edges += uint64(len(block.Edges))
	if b.shapes != nil {
		b.shapes.Add(block)
	}
	b.turns.Add(block, b.turn)
	if b.m.spectrum || b.m.supply {
		b.spectra.Add(block)
		b.coarse.Add(block)
	}
	b.levels.Add(block)
	b.slow.Add(block)
	return done
}

func (b *bench) turn(t *phase.Turn) {
	b.average.Add(t)
	if b.shapes != nil {
		b.shapes.Turn(t)
	}
}

// part is the block from sample from to sample to; the block itself where that
// is all of it.
func part(b *acq.Block, from, to int) *acq.Block {
	if from == 0 && to == b.Len() {
		return b
	}
	p := *b
	p.Tick += uint64(math.Round(float64(from) * b.Setup.TickHz / b.Setup.Rate))
	p.Sample += uint64(from)
	p.Samples, p.Edges = nil, nil
	for _, x := range b.Samples {
		p.Samples = append(p.Samples, x[from:to])
	}
	for _, e := range b.Edges {
		if e.Pos >= float64(from) && e.Pos < float64(to) {
			p.Edges = append(p.Edges, acq.Edge{Pos: e.Pos - float64(from), Number: e.Number})
		}
	}
	return &p
}

// complain says in one sentence why there is nothing to report.
func (b *bench) complain() error {
	switch {
	case !b.started:
		return errors.New("the source holds no samples, so nothing could be measured: look at the file or the board")
	case b.levels.Latest() == nil && b.average.Turns() == 0 && b.coarse.Latest() == nil:
		return fmt.Errorf("only %.2g s of samples lie between --from and the end: too little to measure; give a longer piece", math.Max(0, b.elapsed-b.m.from))
	case b.m.ordersAsked && !b.setup.HasTach:
		return errors.New("the source has no tach, so orders and phase cannot be told: name the tach channel (tach=...), or leave --orders out to get level and spectrum")
	case b.m.ordersAsked && b.average.Turns() == 0 && b.edges == 0:
		return errors.New("the tach gave no edge, so orders and phase cannot be told: look at the tach channel, its threshold (threshold=...) and its edge (edge=falling)")
	case b.m.ordersAsked && b.average.Turns() == 0:
		return fmt.Errorf("the tach gave %d edges but no revolution was accepted, so orders and phase cannot be told: look at the tach signal, the speed and pulses per revolution (pulses=...)", b.edges)
	}
	return nil
}
