package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"counterpoise/internal/blades"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
)

const degree = math.Pi / 180

// surveys runs the three campaigns on blade surveys, or those that are named:
// fewest, change, cause.
func surveys(ctx context.Context, w io.Writer, args []string) error {
	for _, part := range []struct {
		name string
		run  func(context.Context, io.Writer) error
	}{{"fewest", fewestBlades}, {"change", predictedChange}, {"cause", massOrGeometry}} {
		if len(args) > 0 && !slices.Contains(args, part.name) {
			continue
		}
		if err := part.run(ctx, w); err != nil {
			return err
		}
		fmt.Fprintln(w)
	}
	return nil
}

// fewestBlades: random surveys with errors of 1 mm, spread 2 mm and 0.5
// blade-mm allowed, beside the obvious way of bending the worst blade to the
// mean until all is well.
func fewestBlades(ctx context.Context, w io.Writer) error {
	fmt.Fprintln(w, "Fewest blades: errors 1 mm (sd), spread 2 mm, first harmonic 0.5 blade-mm, 500 surveys a row.")
	fmt.Fprintln(w, "blades | limits               | proven | mean blades | worst-to-mean | median ms | worst ms | programs, most (processor time)")
	r := rand.New(rand.NewPCG(5, 1))
	type row struct {
		n         int
		name      string
		max, step float64
	}
	var rows []row
	for _, n := range []int{2, 3, 4, 5, 6, 8, 10, 12, 18, 24, 36, 60} {
		rows = append(rows, row{n, "none", 0, 0})
	}
	rows = append(rows, row{24, "moves <= 1.5 mm", 1.5, 0}, row{24, "steps of 0.25 mm", 0, 0.25}, row{12, "steps of 0.5 mm", 0, 0.5}, row{24, "1.5 mm in 0.25 steps", 1.5, 0.25})
	for _, o := range rows {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		var took []float64
		count, naive, proven, found, most := 0, 0, 0, 0, 0
		for range 500 {
			x, th := make([]float64, o.n), make([]float64, o.n)
			for i := range x {
				x[i], th[i] = 1e-3*r.NormFloat64(), 2*math.Pi*float64(i)/float64(o.n)
			}
			lim := blades.Limits{Spread: 2e-3, Harmonic: 0.5e-3, Max: o.max * 1e-3, Step: o.step * 1e-3}
			start := cpuTime()
			p := blades.Fewest(x, th, nil, lim)
			took = append(took, (cpuTime()-start).Seconds()*1e3)
			if p.Proven {
				proven++
			}
			if p.Found {
				found++
				count += p.Count
				naive += worstToMean(x, th, lim)
			}
			most = max(most, p.Tried)
		}
		slices.Sort(took)
		fmt.Fprintf(w, "%6d | %-20s | %6d | %11.2f | %13.2f | %9.3f | %8.2f | %d\n", o.n, o.name, proven,
			float64(count)/float64(found), float64(naive)/float64(found), took[len(took)/2], took[len(took)-1], most)
	}
	return nil
}

// worstToMean bends the blade furthest from the mean to the mean of all until
// the limits hold, and counts the blades touched.
func worstToMean(x, th []float64, lim blades.Limits) int {
	x = slices.Clone(x)
	touched := map[int]bool{}
	for range 10 * len(x) {
		mean, h := 0.0, complex128(0)
		for i, v := range x {
			mean += v / float64(len(x))
			h += cmplx.Rect(v, th[i])
		}
		if slices.Max(x)-slices.Min(x) <= lim.Spread && cmplx.Abs(h) <= lim.Harmonic {
			break
		}
		worst := 0
		for i, v := range x {
			if math.Abs(v-mean) > math.Abs(x[worst]-mean) {
				worst = i
			}
		}
		x[worst] = mean
		touched[worst] = true
	}
	return len(touched)
}

// bentRig is a random virtual fan with some blades bent and turned.
type bentRig struct {
	*rig.Rig
	d       rig.Description
	planes  []rotor.Plane
	run     float64
	answers []blades.Answer
	alpha   [][]complex128 // [sensor][plane]
}

// newBentRig draws stand, wheel, unbalance, air and bends. Nothing of the air's
// gain and phase is told to the tool. worst is the vibration before the bends in
// m/s rms, 0 = what the preset draws.
func newBentRig(r *rand.Rand, preset string, bend, twist, worst float64) (*bentRig, error) {
	p, err := rig.Preset(preset)
	if err != nil {
		return nil, err
	}
	for i := range p.Body.Supports {
		p.Body.Supports[i].Kx *= 0.7 + 0.7*r.Float64()
		p.Body.Supports[i].Ky *= 0.7 + 0.7*r.Float64()
	}
	p.Wheel.BladeMass *= 0.7 + 0.6*r.Float64()
	p.Wheel.Blades += r.IntN(4) - 1
	p.Wheel.Blade1 = 2 * math.Pi * r.Float64()
	p.Found.Couple = r.Float64()
	if worst > 0 {
		p.Found.Worst = [2]float64{worst, worst}
	}
	g, err := rig.NewWith(p, r.Uint64())
	if err != nil {
		return nil, err
	}
	b := &bentRig{Rig: g, d: g.Describe(), planes: g.Planes(), run: p.Drive.Run}
	for range 1 + r.IntN(3) {
		at := g.Blades()[r.IntN(p.Wheel.Blades)]
		if err := g.Bend(at.Number, at.Track+bend*r.NormFloat64(), at.Pitch+twist*r.NormFloat64(), 0); err != nil {
			return nil, err
		}
	}
	return b, b.influence()
}

// sensors is the number of vibration channels.
func (b *bentRig) sensors() int { return 5 }

func (b *bentRig) vectors() []complex128 {
	out := make([]complex128, b.sensors())
	for i := range out {
		out[i] = b.TrueVectorAt(i, b.run)
	}
	return out
}

// influence fits a weight in each plane in turn: what a perfect trial would say.
func (b *bentRig) influence() error {
	v0 := b.vectors()
	b.alpha = make([][]complex128, len(v0))
	for _, p := range b.planes {
		const m = 0.001
		if err := b.Fit([]rotor.Weight{{Plane: p.Name, Mass: m, Radius: p.Radius}}); err != nil {
			return err
		}
		for s, v := range b.vectors() {
			b.alpha[s] = append(b.alpha[s], (v-v0[s])/m)
		}
	}
	if err := b.Fit(nil); err != nil {
		return err
	}
	var err error
	b.answers, err = blades.Answers(b.planes, b.alpha, b.d.WheelZ)
	return err
}

// survey reads every blade once, with errors of so much.
func (b *bentRig) survey(r *rand.Rand, sdDepth, sdAngle float64, ownAir bool) *blades.Survey {
	bl := b.Blades()
	s := &blades.Survey{Blades: len(bl), Blade1: bl[0].Angle, TipRadius: b.d.TipRadius, HubRadius: b.d.HubRadius, Chord: b.d.Chord,
		BladeMass: b.d.BladeMass, Speed: b.run, FlapHz: b.d.FlapHz, DepthSD: sdDepth, AngleSD: sdAngle, Material: blades.DuctileSheet, Adjustable: true}
	if !ownAir {
		s.Air = blades.StatedAir(b.d.Moment, b.d.Side, b.d.Lead, b.run)
	}
	for _, x := range bl {
		s.Readings = append(s.Readings,
			blades.Reading{Blade: x.Number, Kind: blades.Depth, Value: 0.05 + x.Track + sdDepth*r.NormFloat64(), Confirmed: true},
			blades.Reading{Blade: x.Number, Kind: blades.Incline, Value: b.d.Stagger + x.Pitch + sdAngle*r.NormFloat64(), Confirmed: true})
	}
	return s
}

// predictedChange: blades are moved as the plan says until the reading is
// right, with errors of both readings; the change of 1x is compared with what
// was predicted before.
func predictedChange(ctx context.Context, w io.Writer) error {
	const sdDepth, sdAngle = 0.3e-3, 0.3 * degree
	fmt.Fprintln(w, "Predicted change of 1x: survey errors 0.3 mm and 0.3 deg (sd), hidden air +-35 % and +-30 deg; mm/s rms, 400 fans a row.")
	fmt.Fprintln(w, "fan         | air known to the tool | change median | error median | error 90 % | worst sensor median | 90 % | inside stated 95 %")
	for _, preset := range []string{"bench-fan", "extractor", "cooling-fan"} {
		for _, own := range []bool{false, true} {
			r := rand.New(rand.NewPCG(11, 3))
			var change, errs, worst []float64
			inside := 0
			for range 400 {
				if ctx.Err() != nil {
					return ctx.Err()
				}
				scale := map[string]float64{"bench-fan": 1, "extractor": 2, "cooling-fan": 3}[preset]
				b, err := newBentRig(r, preset, 3e-3*scale, 2*degree, 0)
				if err != nil {
					return err
				}
				s := b.survey(r, sdDepth, sdAngle, own)
				res, err := blades.Judge(s)
				if err != nil {
					return err
				}
				before := b.vectors()
				if err := b.follow(r, res, sdDepth, sdAngle); err != nil {
					return err
				}
				top := 0.0
				for i, v := range b.vectors() {
					p := res.Advice.Change.Predict(b.answers)[i]
					d := cmplx.Abs(v - before[i] - p.V)
					if d <= p.Radius95 {
						inside++
					}
					errs = append(errs, d*1e3/math.Sqrt2)
					change = append(change, cmplx.Abs(v-before[i])*1e3/math.Sqrt2)
					top = max(top, d*1e3/math.Sqrt2)
				}
				worst = append(worst, top)
			}
			name := "integrated for it"
			if own {
				name = "chord and radii only"
			}
			fmt.Fprintf(w, "%-11s | %-21s | %13.3f | %12.3f | %10.3f | %19.3f | %4.2f | %.1f %%\n", preset, name,
				quantile(change, 0.5), quantile(errs, 0.5), quantile(errs, 0.9), quantile(worst, 0.5), quantile(worst, 0.9), 100*float64(inside)/float64(len(errs)))
		}
	}
	return nil
}

// follow carries the moves out: each until the second reading says so.
func (b *bentRig) follow(r *rand.Rand, res *blades.Result, sdDepth, sdAngle float64) error {
	bl := b.Blades()
	for _, m := range res.Advice.Moves {
		x := bl[m.Blade-1]
		// The first reading's error is in the survey; the second one is new.
		if m.Track != 0 {
			first := res.Geometry.Track.Value[m.Blade-1] - 0.05 - x.Track
			x.Track += m.Track + first - sdDepth*r.NormFloat64()
		}
		if m.Pitch != 0 {
			first := res.Geometry.Pitch.Value[m.Blade-1] - b.d.Stagger - x.Pitch
			x.Pitch += m.Pitch + first - sdAngle*r.NormFloat64()
		}
		if err := b.Bend(m.Blade, x.Track, x.Pitch, 0); err != nil {
			return err
		}
	}
	return nil
}

func quantile(v []float64, q float64) float64 {
	v = slices.Clone(v)
	slices.Sort(v)
	return v[min(len(v)-1, int(q*float64(len(v))))]
}
