package check

import (
	"fmt"
	"math"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Machine is what the person says of the machine; zero = not said.
type Machine struct {
	Speed float64 // rad/s, used where the tach tells none
	Mass  float64 // kg of all that moves: the rotor and what moves with it
	Grade float64 // m/s, balance quality grade, for instance 0.0063
	// SamePoint says that all sensors sit at one point, or that the test pin
	// drives all inputs: then what differs between channels is the board's.
	SamePoint bool
	Tapped    string // the sensor that was tapped during the record
}

// mostSamples bounds the record: 30 s of eight channels at 48 kHz.
const mostSamples = 12_000_000

// Examiner collects a record and judges it. One goroutine feeds it.
type Examiner struct {
	m       Machine
	setup   *acq.Setup
	samples [][]float32 // the newest stretch without a gap
	longest [][]float32 // the longest finished stretch
	kept    int
	edges   []edge
	turns   *phase.Extractor
	average *phase.Average
	pulse   *acq.Pulse // of a sampled tach; nil = the board made the edges
	begun   bool
	first   float64 // s of board time
	last    float64
	got     uint64
	lost    uint64
	lostE   uint64
}

type edge struct {
	at     float64 // s
	number uint64
}

// New makes an Examiner.
func New(m Machine) *Examiner {
	return &Examiner{m: m, turns: phase.NewExtractor(phase.Config{}), average: phase.NewAverage(phase.AverageConfig{})}
}

// Add takes the next block.
func (x *Examiner) Add(b *acq.Block) {
	start := float64(b.Tick) / b.Setup.TickHz
	if !x.begun {
		x.begun, x.first = true, start
	} else {
		x.lost += b.Lost
		x.lostE += b.LostEdges
	}
	if b.Gap != acq.NoLoss || x.setup != b.Setup {
		x.cut(b)
	}
	x.last = start + float64(b.Len())/b.Setup.Rate
	x.got += uint64(b.Len())
	for _, e := range b.Edges {
		x.edges = append(x.edges, edge{start + e.Pos/b.Setup.Rate, e.Number})
	}
	if x.kept < mostSamples {
		for c, s := range b.Samples {
			x.samples[c] = append(x.samples[c], s...)
			x.kept += len(s)
		}
	}
	x.turns.Add(b, func(t *phase.Turn) { x.average.Add(t) })
}

// cut ends the present stretch and keeps the longer one.
func (x *Examiner) cut(b *acq.Block) {
	if x.setup == b.Setup && len(x.samples) > 0 && (len(x.longest) == 0 || len(x.samples[0]) > len(x.longest[0])) {
		x.longest = x.samples
	}
	if x.setup != b.Setup {
		x.longest = nil
	}
	x.setup = b.Setup
	x.samples = make([][]float32, len(b.Samples))
}

// Pulse takes what the source measured of a sampled tach.
func (x *Examiner) Pulse(p acq.Pulse) { x.pulse = &p }

// Seconds is how much board time has been seen.
func (x *Examiner) Seconds() float64 { return x.last - x.first }

// Page judges what has been collected.
func (x *Examiner) Page(c acq.Counts) Page {
	p := Page{Schema: 1, Seconds: x.Seconds()}
	if x.setup == nil {
		p.Why = "Not fit: nothing came from the source."
		return p
	}
	p.Source, p.Board = x.setup.Source, x.setup.Board
	if x.kept >= mostSamples {
		p.add("record", "link", Note, math.NaN(), "", "The record is longer than is kept: the channels were judged on its beginning.", "Use a shorter --for.")
	}
	for _, n := range x.setup.Notes {
		p.add("board", "link", Unfit, math.NaN(), "", "The source says: "+n+".", "Mend what it names (hw/README.md lists the causes), then check again.")
	}
	x.link(&p, c)
	x.clock(&p, c)
	omega := x.tach(&p, c)
	if omega > 0 {
		rpm := rotor.RPM(omega)
		p.SpeedRPM = &rpm
	}
	rec := x.record()
	for i := range rec {
		x.channel(&p, i, rec[i], omega)
	}
	if len(rec) > 1 {
		x.skew(&p, rec, omega)
	}
	if x.m.Tapped != "" {
		x.tapped(&p, rec)
	}
	p.close()
	return p
}

// record is the longest stretch without a gap.
func (x *Examiner) record() [][]float32 {
	if len(x.longest) > 0 && (len(x.samples) == 0 || len(x.samples[0]) < len(x.longest[0])) {
		return x.longest
	}
	return x.samples
}

func (x *Examiner) link(p *Page, c acq.Counts) {
	share := float64(x.lost) / float64(max(1, x.lost+x.got))
	edges := float64(x.lostE) / float64(max(1, int(x.lostE)+len(x.edges)))
	var refused uint64
	for why, n := range c.Refused {
		if why != acq.NoGreeting { // of before this host came
			refused += n
		}
	}
	text := fmt.Sprintf("%d frames or lines, %d refused; %d of %d samples and %d of %d tach edges lost", c.Frames, refused, x.lost, x.lost+x.got, x.lostE, uint64(len(x.edges))+x.lostE)
	switch {
	case c.BoardDrops+c.Overruns > 0:
		text += fmt.Sprintf("; the board dropped %d frames and overran %d times", c.BoardDrops, c.Overruns)
	case c.DroppedBlocks > 0:
		text += fmt.Sprintf("; this host was too slow for %d blocks", c.DroppedBlocks)
	}
	v := worse(max(share, edges), 0, lostUnfit)
	if v == OK && refused > 0 {
		v = Note
	}
	p.add("lost", "link", v, share, "", text+".", "A shorter or better cable away from the drive, no hub, the baud rate that the board states exactly; close other programs on this host.")
}

func (x *Examiner) clock(p *Page, c acq.Counts) {
	if c.ClockPPMError == 0 || !(c.ClockPPMError < 1000) {
		p.add("clock", "clock", Open, math.NaN(), "ppm", "The board's clock could not be compared with this computer's (a recording, or too short).", "Check a live board for 30 s.")
		return
	}
	off := math.Max(0, math.Abs(c.ClockPPM)-2*c.ClockPPMError)
	p.add("clock", "clock", worse(off, oscillator, wrongClock), c.ClockPPM, "ppm",
		fmt.Sprintf("The board's clock runs %.0f +- %.0f ppm beside this computer's; samples and edges share it, so phase does not suffer, the speed does.", c.ClockPPM, 2*c.ClockPPMError),
		"Some hundred ppm: a ceramic resonator; use a board with a quartz if the speed matters. A per cent: the firmware was built for another frequency.")
}
