package acq

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"

	"counterpoise/internal/acq/tickline"
)

// assembler makes blocks of tickline frames: one data frame, one block. It
// unwraps the counters, applies scale and zero, and says what is missing. Its
// answer depends on the frames alone, so a recording replays to the same
// blocks.
type assembler struct {
	word    *word
	greet   tickline.Greeting
	setup   *Setup
	analog  analog
	greeted bool // in this connection: a board may have been exchanged while the link was lost

	pending Loss // why the next block follows a gap, known before it comes
	seq     uint16
	seqOK   bool
	jumped  bool // the sequence number jumped since the last block

	running  bool   // a data frame was seen; the fields below mean something
	next     uint64 // running number of the sample expected next
	tick     uint64 // its tick
	edge     uint64 // running number of the edge expected next
	lastEdge int64  // tick of the newest edge
	hasEdge  bool
	spare    []waitingEdge // edges of frames without samples, for the next block
	unsaid   uint64        // samples lost before a frame without samples
	missing  uint64        // edges lost since the last block

	drops, overruns, rejected, tachLost total
}

// waitingEdge is an edge that waits for a block: unwrapped tick and number.
type waitingEdge struct {
	tick   int64
	number uint64
}

// lost says that the link was lost: the next block follows a gap, the sequence
// number may be anything, and the board must introduce itself again.
func (a *assembler) lost() {
	if a.running {
		a.pending = LinkDown
	}
	a.seqOK, a.greeted = false, false
}

// frame takes one good frame. It returns true when b was filled.
func (a *assembler) frame(f *tickline.Frame, b *Block, c *Counts) (bool, error) {
	switch f.Type {
	case tickline.TypeMark:
		a.lost()
		return false, nil
	case tickline.TypeAsk, tickline.TypeStart, tickline.TypeStop, tickline.TypeLoopback:
		c.Refused[Echo]++
		return false, nil
	}
	a.sequence(f.Seq, c)
	switch f.Type {
	case tickline.TypeGreeting:
		return false, a.greeting(&f.Greeting)
	case tickline.TypeStatus:
		c.Overruns += a.overruns.add(f.Status.Overruns)
		c.TachRejected += a.rejected.add(f.Status.TachRejected)
		c.TachLost += a.tachLost.add(f.Status.TachLost)
		return false, nil
	}
	d := &f.Data
	switch {
	case !a.greeted:
		c.Refused[NoGreeting]++
		return false, nil
	case d.Channels != len(a.greet.Channels):
		c.Refused[NotAsGreeted]++
		return false, nil
	}
	return a.data(d, b, c), nil
}

func (a *assembler) sequence(seq uint16, c *Counts) {
	if jump := seq - a.seq - 1; a.seqOK && jump != 0 {
		a.jumped = true
		if jump < 1<<15 { // else the board began anew or a frame came twice
			c.LostFrames += uint64(jump)
		}
	}
	a.seq, a.seqOK = seq, true
}

// greeting makes a new set-up, unless the board says what it said before.
func (a *assembler) greeting(g *tickline.Greeting) error {
	a.greeted = true
	same := *g
	// A self-test that changed and a loopback are told: the notes change with them.
	same.Flags = a.greet.Flags&^tickline.FlagLoopback | g.Flags&tickline.FlagLoopback
	if a.setup != nil && reflect.DeepEqual(same, a.greet) {
		a.greet.Flags = g.Flags
		return nil
	}
	s, tach, err := setupOf(a.word, g)
	if err != nil {
		return err
	}
	tach.thresh.number = a.analog.thresh.number // numbers rise, whatever board it is
	if a.running {
		a.pending = NewSetup
	}
	first := a.setup == nil
	a.setup, a.greet, a.analog = s, *g, tach
	a.greet.Channels = slices.Clone(g.Channels)
	if first {
		return a.word.done()
	}
	return nil
}

// setupOf turns a greeting and the options of the word into a set-up.
func setupOf(w *word, g *tickline.Greeting) (*Setup, analog, error) {
	hz := float64(g.TickHz)
	s := &Setup{
		Source: w.full,
		Board:  fmt.Sprintf("%s %d.%d", g.Board, g.Firmware>>8, g.Firmware&0xFF),
		ID:     fmt.Sprintf("%016x", g.ID),
		Rate:   hz / float64(g.SampleTicks), TickHz: hz,
		HasTach: g.Pulses > 0, TachDelay: float64(g.TachDelayTicks) / hz,
	}
	if g.Flags&tickline.FlagLoopback != 0 {
		s.Notes = append(s.Notes, loopNote)
	}
	if g.SelfTest != 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("the board's self-test found faults (%s): do not trust its readings before they are mended", faults(g.SelfTest)))
	}
	var err error
	if s.PulsesPerTurn, err = w.integer("pulses", max(1, int(g.Pulses)), 1, 1000); err != nil {
		return nil, analog{}, err
	}
	names := make([]string, len(g.Channels))
	for i, c := range g.Channels {
		if names[i] = c.Name; c.Name == "" {
			names[i] = fmt.Sprintf("ch%d", i)
		}
	}
	tach, err := analogOf(w, g, names)
	if err != nil {
		return nil, analog{}, err
	}
	for i, c := range g.Channels {
		a, err := w.adjustment(names[i], fmt.Sprint(i))
		if err != nil {
			return nil, analog{}, err
		}
		scale := float64(c.Scale)
		ch := a.apply(Channel{
			Name: names[i], Quantity: quantities[c.Unit], Scale: scale,
			FullScale: float64(c.FullScale) * math.Abs(scale), Step: math.Abs(scale), Delay: float64(c.DelayTicks) / hz,
		})
		if i == tach.channel && tach.on {
			tach.scale, tach.thresh.step, tach.window = float32(ch.Scale), ch.Step, max(16, int(windowSeconds*s.Rate))
			s.HasTach, s.TachDelay = true, ch.Delay
			continue
		}
		tach.picks = append(tach.picks, i)
		s.Channels = append(s.Channels, ch)
	}
	if err := w.mark(s); err != nil {
		return nil, analog{}, err
	}
	if tach.on && len(s.Channels) == 0 {
		return nil, analog{}, fmt.Errorf("source %q: its only channel %q is the tach, so there is nothing to measure: connect a vibration sensor", w.full, names[tach.channel])
	}
	return s, tach, nil
}

// selfTest are the bits of a greeting's self_test in words, with what to do.
var selfTest = [...]string{
	"a sample input lies at a rail: look at its sensor and cable",
	"the reference voltage is wrong: look at the supply",
	"the sample timer is late: load the firmware again, or exchange the board",
	"the tach input never moves: look at its sensor and wire",
	"damaged memory: load the firmware again, or exchange the board",
	"the converter does not answer: look at its wiring",
	"the tach is upside down, its input is active for most of a turn: swap the comparator's inputs or the mark's colours",
}

func faults(bits uint16) string {
	var words []string
	for i, w := range selfTest {
		if bits&(1<<i) != 0 {
			words = append(words, w)
		}
	}
	if own := bits >> len(selfTest); own != 0 {
		words = append(words, fmt.Sprintf("the board's own bits %04x", bits&^(1<<len(selfTest)-1)))
	}
	return strings.Join(words, "; ")
}

// data fills b from a data frame.
func (a *assembler) data(d *tickline.Data, b *Block, c *Counts) bool {
	step := uint64(a.greet.SampleTicks)
	sample := uint64(d.Sample)
	tick := uint64(d.Tick)
	gap, lost := a.pending, uint64(0)
	if a.running {
		sample = nearest(sample, 32, a.next)
		if sample < a.next {
			sample, tick, gap = a.restart(d, gap)
		} else {
			lost = sample - a.next
			expect := a.tick + lost*step
			tick = nearest(tick, 32, expect)
			// half a sample, and a thousandth of what was lost for a converter
			// that runs on an oscillator of its own
			far := max(tick, expect)-min(tick, expect) > step/2+lost*step/1000
			gap = a.reason(gap, lost, far)
			tick = max(tick, a.tick-min(a.tick, step/2)) // never back behind the block before
		}
	} else {
		a.edge = uint64(d.Edge)
	}
	c.BoardDrops += a.drops.add(d.Drops)
	a.number(d.Edge, c)
	a.running = true
	a.keepEdges(d, tick, c)
	n := d.Len()
	a.next, a.tick = sample+uint64(n), tick+uint64(n)*step
	c.LostSamples += lost
	a.unsaid += lost
	if n == 0 {
		a.pending = gap
		return false
	}
	a.pending, a.jumped = NoLoss, false
	b.Setup, b.Tick, b.Sample, b.Gap, b.Lost, b.LostEdges = a.setup, tick, sample, gap, a.unsaid, a.missing
	a.unsaid, a.missing = 0, 0
	a.fill(b, d)
	if a.analog.on {
		b.LostEdges, a.spare = 0, a.spare[:0]
		a.analog.edges(b, d, a.greet.Channels[a.analog.channel].Zero)
		return true
	}
	a.placeEdges(b, step)
	return true
}

// restart keeps all numbers rising over a board that began anew.
func (a *assembler) restart(d *tickline.Data, gap Loss) (sample, tick uint64, why Loss) {
	a.edge = ascend(uint64(d.Edge), 16, a.edge)
	for _, t := range []*total{&a.drops, &a.overruns, &a.rejected, &a.tachLost} {
		t.restart()
	}
	if gap == NoLoss {
		gap = NewSetup
	}
	return ascend(uint64(d.Sample), 32, a.next), ascend(uint64(d.Tick), 32, a.tick), gap
}

func (a *assembler) reason(gap Loss, lost uint64, far bool) Loss {
	switch {
	case gap != NoLoss:
		return gap
	case lost > 0 && a.jumped:
		return LostFrames
	case lost > 0:
		return BoardDrop
	case far:
		return ClockStep
	}
	return NoLoss
}

// number takes the running number of the first edge of a frame.
func (a *assembler) number(raw uint16, c *Counts) {
	n := ascend(uint64(raw), 16, a.edge)
	if lost := n - a.edge; lost < 1<<15 { // else the numbers began anew
		a.missing += lost
		c.LostEdges += lost
	}
	a.edge = n
}

// keepEdges puts the edges of a frame aside with their unwrapped ticks. An edge
// that is not later than the one before it is refused: it would be negative
// time.
func (a *assembler) keepEdges(d *tickline.Data, tick uint64, c *Counts) {
	for _, raw := range d.Edges {
		at := int64(tick) + int64(int32(raw-d.Tick))
		if a.hasEdge && at <= a.lastEdge {
			c.Refused[EdgeOrder]++
			a.missing++
			c.LostEdges++
		} else {
			a.spare = append(a.spare, waitingEdge{at, a.edge})
			a.lastEdge, a.hasEdge = at, true
		}
		a.edge++
	}
}

func (a *assembler) placeEdges(b *Block, step uint64) {
	b.Edges = b.Edges[:0]
	for _, e := range a.spare {
		b.Edges = append(b.Edges, Edge{Pos: float64(e.tick-int64(b.Tick)) / float64(step), Number: e.number})
	}
	a.spare = a.spare[:0]
}

// fill unpacks the samples and applies zero and scale.
func (a *assembler) fill(b *Block, d *tickline.Data) {
	n := d.Len()
	for len(b.Samples) < len(a.analog.picks) {
		b.Samples = append(b.Samples, nil)
	}
	b.Samples = b.Samples[:len(a.analog.picks)]
	for ch := range b.Samples {
		if cap(b.Samples[ch]) < n {
			b.Samples[ch] = make([]float32, n, math.MaxUint8)
		}
		out := b.Samples[ch][:n]
		pick := a.analog.picks[ch]
		zero, scale := a.greet.Channels[pick].Zero, float32(a.setup.Channels[ch].Scale)
		from, step := d.Samples[:n*d.Channels], d.Channels
		for i, at := 0, pick; at < len(from) && i < len(out); i, at = i+1, at+step {
			out[i] = float32(from[at]-zero) * scale
		}
		b.Samples[ch] = out
	}
}
