package rig

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// The air of a real fan is known to 35 % and 30 degrees (see presets.go). Both
// are drawn evenly over that range.
const (
	airGain  = 0.35
	airAngle = 30 * degree
)

// drawFound draws blades and hidden state: blades first, then the air, then the
// unbalance of the hub, scaled so that the worst radial probe lies in the range
// asked for at running speed, and last the bends.
func (p *Params) drawFound(r *rand.Rand) ([]Blade, hidden) {
	f, w := &p.Found, &p.Wheel
	blades := make([]Blade, w.Blades)
	for i := range blades {
		blades[i] = Blade{
			Number: i + 1,
			Angle:  w.Blade1 + 2*math.Pi*float64(i)/float64(w.Blades) + f.Spacing*r.NormFloat64(),
			Track:  f.Track * r.NormFloat64(),
			Pitch:  f.Pitch * r.NormFloat64(),
			Mass:   w.BladeMass * (1 + f.MassShare*r.NormFloat64()),
		}
	}
	h := hidden{gain: 1 + airGain*(2*r.Float64()-1), turn: cmplx.Rect(1, airAngle*(2*r.Float64()-1))}
	target := f.Worst[0] + (f.Worst[1]-f.Worst[0])*r.Float64()
	h.hub = p.drawHub(r)
	s := p.scaleTo(target, p.bladePull(blades, h, p.Drive.Run), loads(h.hub))
	for i := range h.hub {
		h.hub[i].u *= complex(s, 0)
	}
	for _, b := range f.Bent {
		blades[b.Number-1].Track += b.Track
		blades[b.Number-1].Pitch += b.Pitch
	}
	return blades, h
}

// drawHub draws the direction of the hub's unbalance and its split over the
// first and the last correction plane; the size is found afterwards.
func (p *Params) drawHub(r *rand.Rand) []load {
	if p.Found.Couple == 0 || len(p.Planes) < 2 {
		return []load{{cmplx.Rect(1, 2*math.Pi*r.Float64()), p.Wheel.Z}}
	}
	part := p.Found.Couple * (0.5 + r.Float64())
	return []load{
		{cmplx.Rect(1, 2*math.Pi*r.Float64()), p.Planes[0].Z},
		{cmplx.Rect(part, 2*math.Pi*r.Float64()), p.Planes[len(p.Planes)-1].Z},
	}
}

// scaleTo finds the factor of hub for which the worst radial probe reads target
// (m/s rms); 0 where the blades alone reach it.
func (p *Params) scaleTo(target float64, blades, hub pull) float64 {
	worst := func(s float64) float64 {
		w := 0.0
		for _, pr := range p.Probes {
			if !pr.Axial {
				w = max(w, cmplx.Abs(p.velocity(pr, p.Drive.Run, blades.add(hub.times(s))))/math.Sqrt2)
			}
		}
		return w
	}
	if worst(0) >= target {
		return 0
	}
	high := 1e-6
	for worst(high) < target {
		high *= 2
	}
	low := 0.0
	for range 60 {
		if mid := (low + high) / 2; worst(mid) < target {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}
