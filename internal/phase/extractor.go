package phase

import (
	"math"

	"counterpoise/internal/acq"
)

// Extractor turns blocks into turns. One goroutine feeds it; it allocates only
// when a block brings a new Setup.
type Extractor struct {
	cfg   Config
	shape *shape
	judge judge
	watch watch
	lay   lay
	turn  Turn

	held    held    // the samples; all positions count from the first of them
	start   float64 // s of board time of sample 0 of buf
	rate    float64
	first   uint64 // tick of the very first block
	edges   queue
	block   *acq.Block // at hand
	lent    int        // how many of its samples held has been lent
	waiting []acq.Edge // of the block, those that found no room in the queue yet
	lost    uint64     // edges that never found room
	mean    []float64  // per channel, of the last turn
	slope   []float64  // per channel, change of the mean per second
	meanAt  float64    // board time of the centre of mean; NaN before the first
	dropped [NumDrops]uint64
	turns   uint64
	stops   uint64 // standstills and new set-ups so far
}

// mostKept bounds the samples kept of all channels together: 64 MB, touched only
// by a very slow rotor on very many channels.
const mostKept = 1 << 24

// NewExtractor makes an Extractor. The zero Config will do.
func NewExtractor(cfg Config) *Extractor {
	return &Extractor{cfg: cfg.withDefaults()}
}

// Orders are the orders of every Turn's Values.
func (x *Extractor) Orders() []int { return x.cfg.Orders }

// Dropped counts the revolutions that were not accepted, by reason, since the
// start. It never goes down.
func (x *Extractor) Dropped() [NumDrops]uint64 { return x.dropped }

// LostEdges counts the edges that were thrown away unjudged, because more than
// the queue holds came without their samples. It never goes down.
func (x *Extractor) LostEdges() uint64 { return x.lost }

// Add takes the next block and calls each for every turn that it completes.
// The Turn is valid during the call only. Edges may come up to Config.Late
// after their samples, or before them. Blocks without a Setup are ignored.
func (x *Extractor) Add(b *acq.Block, each func(*Turn)) {
	if b == nil || b.Setup == nil || !x.fits(b) {
		return
	}
	if x.shape == nil || x.shape.setup != b.Setup {
		x.reset(b)
	}
	if b.Gap != acq.NoLoss {
		x.gap()
	}
	if b.LostEdges > 0 {
		x.edges.lost = true
	}
	at := x.blockTime(b)
	x.start = at - float64(x.held.n)/x.rate
	x.waiting = b.Edges
	x.watch.seen = 0
	x.watch.quiet += float64(b.Len())
	for from := 0; from < b.Len(); {
		from = x.held.lend(b.Samples, from)
		x.block, x.lent = b, from
		for more := true; more; {
			more = x.takeEdges()
			x.run(each)
		}
		x.trim(from < b.Len())
	}
	x.watch.samples(b, b.Len(), x.rate)
	x.watch.silent(x)
	x.loseEdges()
	x.block = nil
}

// fits reports whether the block has the form its Setup promises.
func (x *Extractor) fits(b *acq.Block) bool {
	s := b.Setup
	if !(s.Rate > 0) || math.IsInf(s.Rate, 0) || len(b.Samples) != len(s.Channels) || len(b.Samples) == 0 {
		return false
	}
	for _, c := range b.Samples {
		if len(c) != b.Len() {
			return false
		}
	}
	return true
}

func (x *Extractor) reset(b *acq.Block) {
	old := x.shape
	x.stops++
	x.shape = newShape(b.Setup, x.cfg.Orders)
	x.rate = b.Setup.Rate
	if old == nil {
		x.first = b.Tick
	}
	channels := len(b.Setup.Channels)
	longest := 2 * math.Pi / x.cfg.MinSpeed
	x.held = newHeld(channels, int(math.Min(x.rate*((warmUp+1)*longest+x.cfg.Late), float64(mostKept/max(1, channels))))+16)
	x.turn = Turn{shape: x.shape, Values: make([]complex128, channels*x.shape.asked), bad: make([]bool, channels)}
	x.turn.init(x.shape)
	x.mean, x.slope = make([]float64, channels), make([]float64, channels)
	x.meanAt = math.NaN()
	x.edges = newQueue(b.Setup.PulsesPerTurn)
	x.judge = newJudge(b.Setup.PulsesPerTurn, x.rate, x.cfg)
	x.watch = watch{tach: b.Setup.HasTach, rms: make([]float64, channels)}
}

// gap forgets what cannot be joined across missing samples.
func (x *Extractor) gap() {
	if x.judge.open() || x.edges.len() > 0 {
		x.dropped[DropGap]++
	}
	x.held.clear()
	x.edges.clear()
	x.judge.breakOff()
	x.meanAt = math.NaN()
	x.watch.gap()
}

func (x *Extractor) blockTime(b *acq.Block) float64 {
	hz := b.Setup.TickHz
	if !(hz > 0) {
		hz = b.Setup.Rate
	}
	return float64(int64(b.Tick-x.first)) / hz
}

// takeEdges puts the block's edges into the queue, in the buffer's positions, as
// far as there is room; more reports whether some wait that judging the others
// may make room for.
func (x *Extractor) takeEdges() (more bool) {
	origin := float64(x.held.n - x.lent) // of the block's first sample
	took := false
	for len(x.waiting) > 0 && !x.edges.full() {
		e := x.waiting[0]
		x.waiting, took = x.waiting[1:], true
		pos := e.Pos + origin
		if math.IsNaN(pos) || pos < -1 || e.Pos > float64(x.block.Len())+10*x.rate || !x.edges.push(pos, e.Number) {
			x.dropped[DropSpurious]++
		}
	}
	return took && len(x.waiting) > 0
}

// loseEdges counts the edges that are more than the samples can have: the queue
// is full of edges whose samples have not come.
func (x *Extractor) loseEdges() {
	if n := len(x.waiting); n > 0 {
		x.lost += uint64(n)
		x.dropped[DropCrowded]++
		x.edges.lost = true
	}
	x.waiting = nil
}

// run judges every edge that the samples have reached and sums the turns that
// are accepted.
func (x *Extractor) run(each func(*Turn)) {
	for {
		e, ok := x.edges.ready(x.judge.lookahead(), float64(x.held.n-2))
		if !ok {
			return
		}
		if x.judge.cold() {
			x.judge.warm(&x.edges)
		}
		v := x.judge.edge(e)
		x.edges.pop()
		x.watch.edge(x, v)
		if v.drops > 0 {
			x.dropped[v.reason] += uint64(v.drops)
			x.meanAt = math.NaN()
		}
		if v.turn {
			x.sum(v, each)
		}
	}
}

// trim forgets samples that no turn can need and holds on to the others, which
// lie partly in a block that its owner is about to use again.
func (x *Extractor) trim(full bool) {
	n, room := x.held.n, x.held.room
	keepFrom := n - int(x.cfg.Late*x.rate)
	if p, ok := x.judge.oldest(); ok {
		keepFrom = int(math.Floor(p)) - 1
	} else if p, ok := x.edges.oldest(); ok {
		keepFrom = min(keepFrom, int(math.Floor(p))-1)
	}
	if n == room && keepFrom < room/4 {
		// Slower than the slowest speed: the turn is given up.
		keepFrom = room / 2
		if x.judge.open() {
			x.dropped[DropSpeed]++
		}
		x.judge.breakOff()
		x.edges.dropBefore(float64(keepFrom))
	}
	keepFrom = x.held.keep(keepFrom, full)
	x.start += float64(keepFrom) / x.rate
	x.judge.shift(float64(keepFrom))
	x.edges.shift(float64(keepFrom))
}

// sum reduces one accepted turn to its values.
func (x *Extractor) sum(v verdict, each func(*Turn)) {
	t := &x.turn
	from, to := v.anchors[0].pos, v.anchors[len(v.anchors)-1].pos
	n := to - from
	if n < 5 || from < 0 {
		x.dropped[DropShort]++
		x.meanAt = math.NaN()
		return
	}
	t.Tick = x.start + (from)/x.rate - x.shape.setup.TachDelay
	t.Seconds = n / x.rate
	t.Speed = 2 * math.Pi / t.Seconds
	t.Accel = v.accel * x.rate * x.rate
	x.lay.over(t, v.anchors, v.accel, x.rate)
	good := 0
	for c := range t.bad {
		t.bad[c] = !x.channel(t, c)
		if !t.bad[c] {
			good++
		}
	}
	if good == 0 { // a bad channel concerns itself alone, as long as another is left
		x.dropped[DropValue]++
		x.meanAt = math.NaN()
		return
	}
	x.values(t, v)
	x.watch.samples(x.block, x.lent-x.held.n+int(to), x.rate) // while they are in the cache
	t.Number = x.turns
	x.turns++
	t.dropped, t.run, t.alike = x.dropped, x.stops, x.judge.wheel.alike
	x.watch.turn(t)
	if each != nil {
		each(t)
	}
}

// channel sums one channel's samples; false where they cannot be used.
func (x *Extractor) channel(t *Turn, c int) bool {
	l := &x.lay
	limit := float32(math.Inf(1))
	if f := x.shape.setup.Channels[c].FullScale; f > 0 {
		limit = float32(f)
	}
	origin, count := l.span()
	y := x.held.samples(c, origin, count)
	dc := t.dc[c*maxSectors:][:t.sectors]
	var check complex128
	for k := range t.fitted {
		val := t.val[(c*len(x.shape.orders)+k)*maxSectors:][:t.sectors]
		if l.sum(y, k, dc, val) >= limit {
			return false
		}
		for i := range l.borders {
			b := &l.borders[i]
			w := b.weight * float64(y[b.sample-origin])
			val[b.sector] += scale(b.phasor[k], w)
			if k == t.fitted-1 {
				dc[b.sector] += w
			}
		}
		for _, z := range val {
			check += z
		}
	}
	return finite(check)
}

func finite(z complex128) bool {
	s := real(z) + imag(z)
	return s-s == 0
}

// values forms the phasors of the turn from its sums.
func (x *Extractor) values(t *Turn, v verdict) {
	sh, stride := x.shape, x.shape.kmax+1
	at := t.Tick + t.Seconds/2
	span := at - x.meanAt
	joined := span > 0 && span < 1.5*t.Seconds
	for c := range sh.setup.Channels {
		if t.bad[c] {
			x.mean[c] = math.NaN()
			continue
		}
		mean := 0.0
		for _, d := range t.dc[c*maxSectors:][:t.sectors] {
			mean += d
		}
		mean /= t.samples
		if joined && !math.IsNaN(x.mean[c]) {
			x.slope[c] += ((mean-x.mean[c])/span - x.slope[c]) / 4
		} else if math.IsNaN(x.meanAt + x.mean[c]) {
			x.slope[c] = 0
		}
		x.mean[c] = mean
	}
	for k, n := range sh.orders[:sh.asked] {
		// what a mean of one and a slope of one a second leave in the sums
		var one, rise complex128
		for s := range t.sectors {
			d := t.geo[s*stride+n]
			one += d
			rise += d*complex(t.at[s]-t.Seconds/2, 0) + t.lin[s*stride+n]
		}
		for c := range sh.setup.Channels {
			z := &t.Values[c*sh.asked+k]
			if t.bad[c] || !usable(n, t.samples) {
				*z = complex(math.NaN(), math.NaN())
				continue
			}
			var sum complex128
			for _, v := range t.val[(c*len(sh.orders)+k)*maxSectors:][:t.sectors] {
				sum += v
			}
			sum -= scale(conj(one), x.mean[c]) + scale(conj(rise), x.slope[c])
			*z = scale(sum, 2/t.samples)
			if turn := sh.turned(c, t.Speed); turn != 0 {
				sin, cos := math.Sincos(turn * float64(n))
				*z *= complex(cos, sin)
			}
		}
	}
	x.meanAt = at
}

func scale(z complex128, by float64) complex128 { return complex(real(z)*by, imag(z)*by) }

func conj(z complex128) complex128 { return complex(real(z), -imag(z)) }
