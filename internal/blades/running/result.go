package running

import (
	"fmt"
	"math"
	"slices"

	"counterpoise/internal/blades"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Blade is what was seen of one blade. Errors are standard deviations.
type Blade struct {
	Number   int     // as painted, from 1
	Seen     bool    // false: no blade passes at its place
	Height   float64 // m, + downstream, from the mean of the blades seen
	HeightSD float64
	Angle    float64 // rad from blade 1, the way the numbers count
	AngleSD  float64 // also of the passing time: times 1/speed
	Passes   float64 // s after the mark
	Off      float64 // rad, angle less that of even spacing, mean taken out
	Pitch    float64 // rad, blade angle to the plane of rotation at the sensor's radius; NaN = radius unknown
	PitchSD  float64
}

// Result is what a distance sensor saw of the running wheel.
type Result struct {
	Blades   []Blade // by number
	Speed    float64 // rad/s
	Turns    int
	Samples  float64 // of one passing
	DoF      float64 // of the errors: use phase.TLimit
	HeightSD float64 // m, the largest of a blade seen
	Blade1   float64 // rad, angle of blade 1 from the mark, with rotation; NaN without the sensor's place
	Notes    []string
	cfg      Config
}

const (
	groups     = 10  // of turns, each left out once, for the errors
	fewSamples = 3   // of a passing
	missingGap = 1.6 // times the usual distance between passings: a blade is missing there
	mostOff    = 0.3 // of a spacing that a blade may stand off its place and still be told
	usualAreas = 0.5 // of the half width, and of the gap, that an edge is looked for in
)

// Result works out what was collected so far. What cannot be judged comes back
// as one sentence.
func (t *Track) Result() (*Result, error) {
	if err := t.ready(); err != nil {
		return nil, err
	}
	l := t.lay()
	if len(l.s) == 0 {
		return nil, fmt.Errorf("the samples of the accepted revolutions are gone, so no blade was seen: record without gaps")
	}
	if err := l.split(); err != nil {
		return nil, err
	}
	ps, err := l.passes()
	if err != nil {
		return nil, err
	}
	if n := l.perTurn * minHalf(ps) / math.Pi; n < fewSamples {
		return nil, fmt.Errorf("only %.1f samples fall on a blade, and %d are needed: raise the sampling rate", n, fewSamples)
	}
	r := &Result{Speed: l.speed, Turns: l.turns, Samples: l.perTurn * minHalf(ps) / math.Pi, DoF: groups - 1, cfg: t.cfg, Blade1: math.NaN()}
	if l.turns < groups {
		r.DoF = float64(l.turns - 1)
	}
	figures, leftOut := l.measure(ps)
	if err := l.holes(ps, figures); err != nil {
		return nil, err
	}
	places, err := r.number(figures)
	if err != nil {
		return nil, err
	}
	r.fill(figures, leftOut, places)
	if t.alike {
		r.note("The marks of a turn look alike, so the blades' numbers may all be shifted by the blades between two marks; the heights are right. Make one spacing wider, or use one mark, before a blade is worked on.")
	}
	return r, nil
}

func minHalf(ps []pass) float64 {
	h := math.Inf(1)
	for _, p := range ps {
		h = math.Min(h, p.half)
	}
	return h
}

// measure finds every blade's figures from all turns, and with every group of
// turns left out.
func (l *laid) measure(ps []pass) (all []figure, leftOut [][]figure) {
	ls, owner := l.lines(ps)
	strays := l.strays(ls, owner)
	n := min(groups, l.turns)
	of := groupsOf(l.turns, n)
	leftOut = make([][]figure, n)
	for k, p := range ps {
		gap := math.Min(l.gap(ps, k, -1), l.gap(ps, k, 1))
		reach := usualAreas * math.Min(p.half, gap)
		c := l.near(ls[k], k, strays, reach)
		all = append(all, l.figure(ls[k], c, reach, -1, nil))
		for g := range n {
			b := l.line(p, int16(k), owner, g, of)
			leftOut[g] = append(leftOut[g], l.figure(b, c, reach, g, of))
		}
	}
	return all, leftOut
}

// gap is the free angle from a passing to its neighbour.
func (l *laid) gap(ps []pass, k, step int) float64 {
	o := ps[(k+step+len(ps))%len(ps)]
	d := math.Mod(float64(step)*(o.mid-ps[k].mid)+4*math.Pi, 2*math.Pi)
	return d - o.half - ps[k].half
}

// holes refuses edges that no sample came near.
func (l *laid) holes(ps []pass, fs []figure) error {
	for k, f := range fs {
		if math.IsNaN(f.height) || f.hole*math.Sqrt(12) > 0.5*ps[k].half {
			return fmt.Errorf("the samples fall on the same places of every turn, as under a strobe, and leave %.2g degrees at a blade's edges unseen: change the sampling rate or the speed a little, or record longer", f.hole*math.Sqrt(12)*180/math.Pi)
		}
	}
	return nil
}

// number gives every passing its blade: places[k] is the index of the blade
// that figure k is.
func (r *Result) number(fs []figure) (places []int, err error) {
	n := r.cfg.Blades
	if n == 0 {
		n = r.countBlades(fs)
	}
	if len(fs) > n {
		return nil, fmt.Errorf("%d things pass the distance sensor in a turn, but %d blades are stated: count the blades, or look for what else passes (bolts, a second mark)", len(fs), n)
	}
	// Angle of each passing thing from the mark: it stands before the sensor
	// when rotor angle plus its own angle is the sensor's.
	theta := make([]float64, len(fs))
	for k, f := range fs {
		theta[k] = r.cfg.Sensor - f.mid
	}
	sign := 1.0
	if r.cfg.Numbering == rotor.AgainstRotation {
		sign = -1
	}
	first := theta[0] // the first to pass after the mark
	if r.cfg.Blade1Known && r.cfg.SensorKnown {
		first = r.cfg.Blade1
	}
	pitch := 2 * math.Pi / float64(n)
	// The rotation of the even grid that fits all blades seen.
	var c, s float64
	for _, a := range theta {
		sn, cs := math.Sincos(sign * (a - first) * float64(n))
		c, s = c+cs, s+sn
	}
	grid := math.Atan2(s, c) / float64(n)
	if r.cfg.Blade1Known && r.cfg.SensorKnown && math.Abs(grid) > mostOff*pitch {
		return nil, fmt.Errorf("no blade stands within %.0f degrees of where blade 1 is said to be, so the blades cannot be told: check the angle of blade 1, the place of the sensor and the way the numbers count", mostOff*pitch*180/math.Pi)
	}
	taken := make([]bool, n)
	for _, a := range theta {
		x := (sign*(a-first) - grid) / pitch
		i := ((int(math.Round(x)) % n) + n) % n
		if taken[i] || math.Abs(x-math.Round(x)) > mostOff+0.1 {
			return nil, fmt.Errorf("the %d passings do not fit %d evenly spaced blades: count the blades and look at what passes the sensor", len(fs), n)
		}
		taken[i] = true
		places = append(places, i)
	}
	if !r.cfg.SensorKnown {
		r.note("The sensor's place is not known, so blade 1 is the first to pass after the mark.")
	} else if !r.cfg.Blade1Known {
		r.note("The angle of blade 1 was not given, so blade 1 is the first to pass after the mark.")
	}
	r.Blades = make([]Blade, n)
	for i := range r.Blades {
		r.Blades[i] = Blade{Number: i + 1, Height: math.NaN(), HeightSD: math.NaN(), Angle: math.NaN(), AngleSD: math.NaN(), Passes: math.NaN(), Off: math.NaN(), Pitch: math.NaN(), PitchSD: math.NaN()}
		if !taken[i] {
			r.note("No blade passes where blade %d should be: it is missing, or the sensor does not see it. Stop, lock out, and look before anything else is done.", i+1)
		}
	}
	if r.cfg.SensorKnown {
		r.Blade1 = rotor.WrapRadians(first + sign*grid)
	}
	return places, nil
}

func (r *Result) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

// countBlades is the number of evenly spaced places that the passings leave
// room for.
func (r *Result) countBlades(fs []figure) int {
	var d []float64
	for k, f := range fs {
		d = append(d, math.Mod(fs[(k+1)%len(fs)].mid-f.mid+4*math.Pi, 2*math.Pi))
	}
	usual := slices.Clone(d)
	slices.Sort(usual)
	m := usual[(len(usual)-1)/2]
	n := 0
	for _, x := range d {
		if x > missingGap*m {
			n += int(math.Round(x / m))
		} else {
			n++
		}
	}
	return n
}

// fill works out every blade's figures from the mean of those seen.
func (r *Result) fill(fs []figure, leftOut [][]figure, places []int) {
	sign, grow := 1.0, r.cfg.Side.Sign()
	if r.cfg.Numbering == rotor.AgainstRotation {
		sign = -1
	}
	pitch := 2 * math.Pi / float64(len(r.Blades))
	type values struct{ height, off, slope float64 }
	of := func(fs []figure) []values {
		out := make([]values, len(fs))
		var h, o float64
		for k, f := range fs {
			off := rotor.WrapRadians(-sign*(f.mid-fs[0].mid) - float64(places[k]-places[0])*pitch)
			out[k] = values{grow * f.height, off, grow * f.slope}
			h += out[k].height / float64(len(fs))
			o += off / float64(len(fs))
		}
		for k := range out {
			out[k].height -= h
			out[k].off -= o
		}
		return out
	}
	all := of(fs)
	spread := make([]values, len(fs)) // sums of squares
	means := make([]values, len(fs))
	gs := make([][]values, len(leftOut))
	for g := range leftOut {
		gs[g] = of(leftOut[g])
		for k, v := range gs[g] {
			means[k].height += v.height / float64(len(leftOut))
			means[k].off += v.off / float64(len(leftOut))
			means[k].slope += v.slope / float64(len(leftOut))
		}
	}
	for _, vs := range gs {
		for k, v := range vs {
			spread[k].height += sq(v.height - means[k].height)
			spread[k].off += sq(v.off - means[k].off)
			spread[k].slope += sq(v.slope - means[k].slope)
		}
	}
	n := float64(len(leftOut))
	jack := (n - 1) / n // of a sum of squares, one group left out at a time (Efron)
	zero := 0.0
	for k, i := range places {
		b := &r.Blades[i]
		f := fs[k]
		b.Seen = true
		b.Height, b.HeightSD = all[k].height, math.Hypot(math.Sqrt(jack*spread[k].height), f.slope*f.hole)
		b.Off, b.AngleSD = all[k].off, math.Hypot(math.Sqrt(jack*spread[k].off), f.hole)
		b.Passes = f.mid / r.Speed
		if i == 0 {
			zero = b.Off
		}
		if r.cfg.Radius > 0 {
			t := all[k].slope / r.cfg.Radius
			b.Pitch = math.Atan(t)
			b.PitchSD = math.Sqrt(jack*spread[k].slope) / r.cfg.Radius / (1 + t*t)
		}
		r.HeightSD = math.Max(r.HeightSD, b.HeightSD)
	}
	for i := range r.Blades {
		if r.Blades[i].Seen {
			r.Blades[i].Angle = float64(i)*pitch + r.Blades[i].Off - zero
		}
	}
	if lean(r.Blades) > 0 && r.cfg.Radius == 0 {
		r.note("The radius at which the sensor looks was not given, so the blades' angles are not told.")
	}
}

func lean(bs []Blade) (n int) {
	for _, b := range bs {
		if b.Seen && math.IsNaN(b.Pitch) {
			n++
		}
	}
	return n
}

func sq(x float64) float64 { return x * x }

// Interval95 is half the 95 % interval of a figure with standard deviation sd.
func (r *Result) Interval95(sd float64) float64 { return sd * phase.TLimit(0.95, r.DoF) }

// Survey is the running wheel as a blade survey: heights are depths read where
// the sensor looks, places of the blades as they pass. base gives what a sensor
// cannot know (radii, masses, limits); nil for none. The centrifugal force has
// already straightened the blades, so no flap frequency is carried over.
func (r *Result) Survey(base *blades.Survey) *blades.Survey {
	s := &blades.Survey{}
	if base != nil {
		*s = *base
		s.Readings = nil
		for _, b := range base.Readings {
			if b.Kind == blades.Mass || b.Kind == blades.Moment {
				s.Readings = append(s.Readings, b)
			}
		}
	}
	s.Blades, s.Numbering, s.Side, s.FlapHz, s.Speed = len(r.Blades), r.cfg.Numbering, blades.Downstream, 0, r.Speed
	if !math.IsNaN(r.Blade1) {
		s.Blade1 = r.Blade1
	}
	s.DepthSD = r.HeightSD
	if r.cfg.Radius > 0 {
		s.ReadRadius = r.cfg.Radius
	}
	s.Angles = make([]float64, len(r.Blades))
	for i, b := range r.Blades {
		s.Angles[i] = 2 * math.Pi * float64(i) / float64(len(r.Blades))
		if !b.Seen {
			continue
		}
		s.Angles[i] = b.Angle
		s.Readings = append(s.Readings, blades.Reading{Blade: b.Number, Kind: blades.Depth, Value: b.Height})
		if !math.IsNaN(b.Pitch) {
			s.Readings = append(s.Readings, blades.Reading{Blade: b.Number, Kind: blades.Incline, Value: b.Pitch})
			s.AngleSD = math.Max(s.AngleSD, b.PitchSD)
		}
	}
	return s
}
