package spectrum

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// Mode says how blocks are averaged.
type Mode uint8

// The modes.
const (
	Linear      Mode = iota // all blocks alike
	Exponential             // the newest Averages blocks, older ones fading
	PeakHold                // the largest ever seen on each line
)

func (m Mode) String() string { return [...]string{"linear", "exponential", "peak-hold"}[m] }

// ParseMode understands what String says.
func ParseMode(s string) (Mode, error) {
	for _, m := range []Mode{Linear, Exponential, PeakHold} {
		if s == m.String() {
			return m, nil
		}
	}
	return 0, fmt.Errorf("averaging %q is none of linear, exponential and peak-hold", s)
}

// Config says what spectrum to make. The zero value is 1,600 lines, Hann,
// two thirds overlap, linear averaging without an end.
type Config struct {
	Lines    int     // 400, 800, 1600, 3200 or 6400; the block is 2.56 times as long
	MaxHz    float64 // highest frequency wanted; the samples are thinned out to fit; 0 = all
	Window   Window
	Overlap  float64 // share of a block that the next one shares, 0.5 to 0.75; 0 = 0.67
	Mode     Mode
	Averages int // of Exponential; 0 = 16
}

func (c Config) withDefaults() Config {
	lines := 400
	for lines < c.Lines && lines < 6400 {
		lines *= 2
	}
	if c.Lines == 0 {
		lines = 1600
	}
	c.Lines = lines
	if !(c.Overlap >= 0.5 && c.Overlap <= 0.75) {
		c.Overlap = 0.67
	}
	if c.Averages < 1 {
		c.Averages = 16
	}
	return c
}

// Spectrum is an averaged one-sided amplitude spectrum of one channel: line i
// stands at i*Step Hz, and a steady sine of peak value A on a line reads A.
type Spectrum struct {
	Channel  string
	Quantity rotor.Quantity
	Step     float64   // Hz from line to line
	Peak     []float64 // peak amplitude, SI
	Window   Window
	Blocks   int     // averaged
	Seconds  float64 // of signal in them
	Above    float64 // Hz; below it the lines hold nothing trustworthy
}

// Averager makes spectra live. One goroutine feeds it; Add allocates only when
// a block brings a new Setup.
type Averager struct {
	cfg    Config
	setup  *acq.Setup
	rate   float64 // after thinning
	n, hop int
	window []float64
	fft    *fourier.FFT
	work   []float64
	coeff  []complex128
	ch     []channel
	blocks int
	serial uint64
}

type channel struct {
	thin  thinner
	buf   []float32
	power []float64 // averaged |X|^2, scaled to A^2/4
	n     int       // blocks averaged; fewer than others where some held no numbers
}

// New makes an Averager.
func New(cfg Config) *Averager {
	return &Averager{cfg: cfg.withDefaults()}
}

// Reset begins the average anew.
func (a *Averager) Reset() {
	a.blocks = 0
	for i := range a.ch {
		a.ch[i].buf = a.ch[i].buf[:0]
		a.ch[i].n = 0
		clear(a.ch[i].power)
	}
}

// Add takes the next block of samples. A gap ends the block that was filling.
func (a *Averager) Add(b *acq.Block) {
	if b == nil || b.Setup == nil || len(b.Samples) != len(b.Setup.Channels) || len(b.Samples) == 0 {
		return
	}
	if a.setup != b.Setup {
		a.prepare(b.Setup)
	}
	if b.Gap != acq.NoLoss {
		for i := range a.ch {
			a.ch[i].buf = a.ch[i].buf[:0]
			a.ch[i].thin.reset()
		}
	}
	for _, x := range b.Samples {
		if len(x) != b.Len() {
			return
		}
	}
	for from := 0; from < b.Len(); {
		to := min(from+a.n-a.hop, b.Len())
		for i := range a.ch {
			a.ch[i].buf = a.ch[i].thin.add(a.ch[i].buf, b.Samples[i][from:to])
		}
		from = to
		for len(a.ch[0].buf) >= a.n {
			a.transform()
		}
	}
}

func (a *Averager) prepare(s *acq.Setup) {
	a.setup = s
	factor := 1
	if a.cfg.MaxHz > 0 && s.Rate > 0 {
		factor = max(1, min(4096, int(s.Rate/(2.56*a.cfg.MaxHz))))
	}
	a.rate = s.Rate / float64(factor)
	a.n = a.cfg.Lines * 256 / 100
	a.hop = max(1, int(math.Round(float64(a.n)*(1-a.cfg.Overlap))))
	a.window = a.cfg.Window.sampled(a.n)
	a.fft = fourier.NewFFT(a.n)
	a.work = make([]float64, a.n)
	a.coeff = make([]complex128, a.n/2+1)
	a.ch = make([]channel, len(s.Channels))
	for i := range a.ch {
		a.ch[i] = channel{thin: newThinner(factor), buf: make([]float32, 0, 2*a.n+16), power: make([]float64, a.n/2+1)}
	}
	a.blocks = 0
}

// transform averages one block of every channel and moves on by the hop. A
// channel with samples that are no numbers is left out of that block.
func (a *Averager) transform() {
	any := false
	coherent, _ := a.cfg.Window.gains()
	scale := 1 / (coherent * float64(a.n))
	for i := range a.ch {
		c := &a.ch[i]
		if allFinite(c.buf[:a.n]) {
			any = true
			c.n++
			detrend(a.work, c.buf[:a.n])
			for k, w := range a.window {
				a.work[k] *= w
			}
			a.coeff = a.fft.Coefficients(a.coeff, a.work)
			a.average(c, scale)
		}
		c.buf = c.buf[:copy(c.buf, c.buf[a.hop:])]
	}
	if any {
		a.blocks++
		a.serial++
	}
}

func (a *Averager) average(c *channel, scale float64) {
	keep := 1 / float64(c.n)
	if a.cfg.Mode == Exponential {
		keep = math.Max(keep, 1/float64(a.cfg.Averages))
	}
	for k, z := range a.coeff {
		p := (real(z)*real(z) + imag(z)*imag(z)) * scale * scale
		if a.cfg.Mode == PeakHold {
			c.power[k] = math.Max(c.power[k], p)
		} else {
			c.power[k] += (p - c.power[k]) * keep
		}
	}
}

func allFinite(x []float32) bool {
	var s float32
	for _, v := range x {
		s += v - v
	}
	return s == 0
}

// detrend writes x without its mean and its straight line to dst.
func detrend(dst []float64, x []float32) {
	n := float64(len(x))
	mid := (n - 1) / 2
	var sum, moment float64
	for i, v := range x {
		sum += float64(v)
		moment += float64(v) * (float64(i) - mid)
	}
	mean, slope := sum/n, moment/(n*(n*n-1)/12)
	for i, v := range x {
		dst[i] = float64(v) - mean - slope*(float64(i)-mid)
	}
}

// Serial grows with every block averaged, so that a reader can tell whether
// Latest would bring anything new.
func (a *Averager) Serial() uint64 { return a.serial }

// Latest returns the averaged spectra, one per channel, in the channels' own
// quantities; nil before the first block is full. The result is a copy. A channel
// that held no numbers so far has no blocks and all its lines at zero.
func (a *Averager) Latest() []Spectrum {
	if a.blocks == 0 {
		return nil
	}
	out := make([]Spectrum, len(a.ch))
	for i := range out {
		ch := a.setup.Channels[i]
		lines := a.cfg.Lines + 1
		s := Spectrum{Channel: ch.Name, Quantity: ch.Quantity, Step: a.rate / float64(a.n), Window: a.cfg.Window,
			Blocks: a.ch[i].n, Peak: make([]float64, lines)}
		if n := a.ch[i].n; n > 0 {
			s.Seconds = (float64(a.n) + float64(n-1)*float64(a.hop)) / a.rate
		}
		for k := range s.Peak {
			s.Peak[k] = 2 * math.Sqrt(a.ch[i].power[k])
		}
		s.Peak[0] /= 2
		s.Above = s.Step * float64(len(a.cfg.Window.cosines()))
		out[i] = s
	}
	return out
}

// In returns the spectrum as another quantity: every line divided or multiplied
// by 2 pi f as often as it takes. Lines below s.Above, where that would blow
// the window's skirt of the mean up, are zero. Raw turns only into itself.
func (s Spectrum) In(q rotor.Quantity) (Spectrum, error) {
	if q == s.Quantity {
		return s, nil
	}
	if _, err := rotor.Convert(1, s.Quantity, q, 1); err != nil {
		return Spectrum{}, err
	}
	out := s
	out.Quantity = q
	out.Peak = make([]float64, len(s.Peak))
	for k, p := range s.Peak {
		f := float64(k) * s.Step
		if f < s.Above {
			continue
		}
		v, _ := rotor.Convert(complex(p, 0), s.Quantity, q, 2*math.Pi*f)
		out.Peak[k] = math.Hypot(real(v), imag(v))
	}
	return out, nil
}

// RMS is the rms value of everything between two frequencies.
func (s Spectrum) RMS(from, to float64) float64 {
	sum := 0.0
	for k, p := range s.Peak {
		if f := float64(k) * s.Step; f >= from && f <= to {
			sum += p * p / 2
		}
	}
	return math.Sqrt(sum / s.Window.ENBW())
}
