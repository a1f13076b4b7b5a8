package rig

import (
	"math"
	"math/cmplx"
)

// chain is one channel from the machine to the converter's count: a late slot,
// sensor noise, AC coupling, a filter, a range, a step.
type chain struct {
	lag    [4]float64 // weights of the newest four values: cubic interpolation at the slot's time
	past   [4]float64
	couple onePole
	filter onePole
	noise  float64 // rms of a sample
	step   float64 // of one count
	counts float64 // in a unit: 1/step
	top    float64 // largest count beside zero
	zero   int32
}

// onePole is y = b0 x + b1 x' - a1 y', the trapezoidal form of one pole.
type onePole struct{ b0, b1, a1, x, y float64 }

// highPass has its corner at f (Hz), lowPass too; dt is the time of a sample.
func highPass(f, dt float64) onePole {
	w := math.Pi * f * dt
	return onePole{b0: 1 / (1 + w), b1: -1 / (1 + w), a1: (w - 1) / (w + 1)}
}

func lowPass(f, dt float64) onePole {
	w := math.Pi * f * dt
	return onePole{b0: w / (1 + w), b1: w / (1 + w), a1: (w - 1) / (w + 1)}
}

func (p *onePole) next(x float64) float64 {
	p.y = p.b0*x + p.b1*p.x - p.a1*p.y
	p.x = x
	return p.y
}

// response at omega (rad/s) is exact for the sampled filter.
func (p *onePole) response(omega, dt float64) complex128 {
	z := cmplx.Rect(1, -omega*dt)
	return (complex(p.b0, 0) + complex(p.b1, 0)*z) / (1 + complex(p.a1, 0)*z)
}

// interpolation weights the values of now and one, two, three samples ago so
// that they give the value of late samples ago (Lagrange's cubic).
func interpolation(late float64) (w [4]float64) {
	for i := range w {
		w[i] = 1
		for j := range w {
			if j != i {
				w[i] *= (late - float64(j)) / float64(i-j)
			}
		}
	}
	return w
}

func newChain(b *Board, slot, noise, dt float64, zero int32) chain {
	c := chain{
		lag:    interpolation(slot / dt),
		couple: highPass(b.Couple, dt),
		filter: lowPass(b.Filter, dt),
		noise:  noise * math.Sqrt(b.Rate/2),
		zero:   zero,
	}
	c.scale(b.Bits, b.Range)
	return c
}

// scale spreads +-limit over a converter of that many bits.
func (c *chain) scale(bits int, limit float64) {
	c.step = 2 * limit / math.Exp2(float64(bits))
	c.counts = 1 / c.step
	c.top = math.Exp2(float64(bits-1)) - 1 - math.Abs(float64(c.zero))
}

// delay is by how much a sample lags the motion well below the filter's corner.
func (b *Board) delay(slot float64) float64 { return slot + 1/(2*math.Pi*b.Filter) }

// count converts the newest value; n is a standard normal number.
func (c *chain) count(v, n float64) int32 {
	c.past[3], c.past[2], c.past[1], c.past[0] = c.past[2], c.past[1], c.past[0], v
	v = 0
	for i, w := range c.lag {
		v += w * c.past[i]
	}
	v = c.filter.next(c.couple.next(v + c.noise*n))
	return c.quantise(v)
}

func (c *chain) quantise(v float64) int32 {
	return int32(math.RoundToEven(min(max(v*c.counts, -c.top), c.top))) + c.zero
}

// response is what a sine of omega (rad/s) suffers on its way, beside range,
// step and noise.
func (c *chain) response(omega, dt float64) complex128 {
	var lag complex128
	for i, w := range c.lag {
		lag += complex(w, 0) * cmplx.Rect(1, -omega*dt*float64(i))
	}
	return lag * c.couple.response(omega, dt) * c.filter.response(omega, dt)
}
