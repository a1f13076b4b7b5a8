package check

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"counterpoise/internal/acq"
)

// Lag is what was found of one channel's delay, beyond what the source states.
type Lag struct {
	Channel string
	// Seconds by which the channel lags the tach (or, of one point, the first
	// channel) more than is stated, and its standard error.
	Seconds, SE float64
	// Angle in rad is the part of the phase that does not change with speed: of a
	// rotor its heavy spot as the channel sees it, of a test wave nothing.
	Angle, AngleSE float64
	Inverted       bool    // the channel shows the motion upside down
	Corner         float64 // Hz, of the AC coupling, from the lead that shrinks as 1/f; test wave only
	CornerSE       float64
	Worst          float64 // rad, of the point farthest from the fit
	Chi            float64 // its square is the scatter about the fit over what the readings claim
	Points         int
}

// Tone is what every channel showed of one speed.
type Tone struct {
	Omega float64      // rad/s
	Value []complex128 // per channel, peak phasor, stated delays taken off
	SE    []float64    // of each axis of Value
}

const (
	fewestSpeeds  = 3
	widestSpeeds  = 1.3         // highest over lowest speed, below which time and angle cannot be parted
	clearOf       = 8           // standard errors that an amplitude must have
	nearQuarter   = math.Pi / 6 // how near to +-90 degrees the test wave's angle must be
	offTheLine    = math.Pi / 90
	offLineErrors = 3
)

// LagsOfWave fits tones of the board's own test wave. It rises at the edge, so
// its first order is a sine: 90 degrees behind, or ahead where a channel (or the
// tach, then all of them) is upside down. What lags beside that in proportion to
// speed is time, and what leads in inverse proportion is the AC coupling.
func LagsOfWave(tones []Tone, channels []acq.Channel) ([]Lag, error) {
	return lags(tones, channels, func(w, y, weight []float64, l *Lag) error {
		free := fitLine(w, y, weight, one, ramp)
		angle := -math.Pi / 2
		if math.Abs(turn(free.x[0]-math.Pi/2)) < math.Abs(turn(free.x[0]+math.Pi/2)) {
			angle, l.Inverted = math.Pi/2, true
		}
		if off := math.Abs(turn(free.x[0] - angle)); off > nearQuarter {
			return fmt.Errorf("%s does not show the test wave: it stands %.0f degrees from where a square wave must: is its loop plug in?", l.Channel, off*180/math.Pi)
		}
		turns := 2 * math.Pi * math.Round((free.x[0]-angle)/(2*math.Pi))
		for i := range y {
			y[i] -= angle + turns
		}
		f := fitLine(w, y, weight, ramp, inverse)
		l.Seconds, l.SE = -f.x[0], f.se[0]
		l.Corner, l.CornerSE = f.x[1]/(2*math.Pi), f.se[1]/(2*math.Pi)
		l.Worst, l.Chi = f.worst, f.chi
		return nil
	})
}

// LagsOfSpeeds fits readings of one untouched rotor at several steady speeds,
// none near a resonance: what is the rotor's keeps its angle, what lags in
// proportion to speed is time.
func LagsOfSpeeds(tones []Tone, channels []acq.Channel) ([]Lag, error) {
	return lags(tones, channels, func(w, y, weight []float64, l *Lag) error {
		f := fitLine(w, y, weight, one, ramp)
		l.Angle, l.AngleSE = turn(f.x[0]), f.se[0]
		l.Seconds, l.SE = -f.x[1], f.se[1]
		l.Worst, l.Chi = f.worst, f.chi
		return nil
	})
}

func lags(tones []Tone, channels []acq.Channel, fit func(w, y, weight []float64, l *Lag) error) ([]Lag, error) {
	tones = slices.SortedFunc(slices.Values(tones), func(a, b Tone) int { return cmp.Compare(a.Omega, b.Omega) })
	if n := len(tones); n < fewestSpeeds || !(tones[n-1].Omega >= widestSpeeds*tones[0].Omega) {
		return nil, fmt.Errorf("%d speeds do not part what goes with time from what stands still: %d are needed at least, the fastest %.1f times the slowest or more; four are better", n, fewestSpeeds, widestSpeeds)
	}
	var out []Lag
	var bad []error
	for c, ch := range channels {
		l := Lag{Channel: ch.Name, Points: len(tones)}
		w, y, weight, err := phases(tones, c, ch.Name)
		if err == nil {
			err = fit(w, y, weight, &l)
		}
		if err != nil {
			bad = append(bad, err)
			continue
		}
		out = append(out, l)
	}
	return out, errors.Join(bad...)
}

// phases follows a channel's phase from speed to speed without a jump.
func phases(tones []Tone, c int, name string) (w, y, weight []float64, err error) {
	for i, t := range tones {
		a := cmplx.Abs(t.Value[c])
		if !(a > clearOf*t.SE[c]) {
			return nil, nil, nil, fmt.Errorf("%s shows too little at %.0f rpm to have a phase: is its sensor on its point and its plug in place?", name, t.Omega*30/math.Pi)
		}
		p := cmplx.Phase(t.Value[c])
		if i > 0 {
			p = y[i-1] + turn(p-y[i-1])
		}
		se := max(t.SE[c]/a, 1e-5)
		w, y, weight = append(w, t.Omega), append(y, p), append(weight, 1/(se*se))
	}
	return w, y, weight, nil
}

// turn brings an angle within half a turn.
func turn(a float64) float64 { return math.Remainder(a, 2*math.Pi) }

// terms of a phase over speed
func one(float64) float64       { return 1 }
func ramp(w float64) float64    { return w }
func inverse(w float64) float64 { return 1 / w }

type lineFit struct {
	x, se      []float64
	worst, chi float64
}

// fitLine is a weighted least-squares fit of two terms. Where the points scatter
// more than they claim, the standard errors grow with the scatter.
func fitLine(w, y, weight []float64, terms ...func(float64) float64) lineFit {
	n, k := len(w), len(terms)
	a, rhs := mat.NewDense(n, k, nil), mat.NewVecDense(n, nil)
	scale := make([]float64, k) // so that rad/s and 1 have one size
	for j, term := range terms {
		for _, v := range w {
			scale[j] = max(scale[j], math.Abs(term(v)))
		}
	}
	for i := range w {
		root := math.Sqrt(weight[i])
		for j, term := range terms {
			a.Set(i, j, root*term(w[i])/scale[j])
		}
		rhs.SetVec(i, root*y[i])
	}
	var qr mat.QR
	qr.Factorize(a)
	var x mat.VecDense
	f := lineFit{x: make([]float64, k), se: make([]float64, k)}
	if err := qr.SolveVecTo(&x, false, rhs); err != nil {
		for j := range f.x {
			f.x[j], f.se[j] = math.NaN(), math.Inf(1)
		}
		return f
	}
	var normal, inv mat.Dense
	normal.Mul(a.T(), a)
	if err := inv.Inverse(&normal); err != nil {
		f.chi = math.Inf(1)
		return f
	}
	sum := 0.0
	for i := range w {
		off := y[i]
		for j, term := range terms {
			off -= x.AtVec(j) * term(w[i]) / scale[j]
		}
		f.worst = max(f.worst, math.Abs(off))
		sum += off * off * weight[i]
	}
	f.chi = math.Sqrt(sum / float64(max(1, n-k)))
	for j := range f.x {
		f.x[j] = x.AtVec(j) / scale[j]
		f.se[j] = math.Sqrt(inv.At(j, j)) / scale[j] * max(1, f.chi)
	}
	return f
}

// OffLine says whether the points lie off the fit by more than their scatter and
// by more than matters: a resonance is near, or something was changed between.
func (l Lag) OffLine() bool { return l.Worst > offTheLine && l.Chi > offLineErrors }

// Swapped tells the channels' part of a shift from the sensors': first is how b
// lags a, second the same after the two sensors have changed their places.
func Swapped(first, second Shift) (channels, sensors Shift) {
	se := math.Hypot(first.SE, second.SE) / 2
	channels = Shift{(first.Seconds + second.Seconds) / 2, se, false}
	sensors = Shift{(first.Seconds - second.Seconds) / 2, se, false}
	return channels, sensors
}

// ShiftsAtOnePoint are how each channel of a record lags its first one, beyond
// what is stated. All sensors sit at one point, or one signal feeds all inputs.
func (x *Examiner) ShiftsAtOnePoint() ([]Shift, *acq.Setup, error) {
	rec := x.record()
	if x.setup == nil || len(rec) < 2 {
		return nil, x.setup, errors.New("one channel cannot be compared with another: two or more are needed")
	}
	out := []Shift{{}}
	for c := 1; c < len(rec); c++ {
		s, ok := shiftOf(rec[0], rec[c], x.setup.Rate)
		if !ok {
			return nil, x.setup, fmt.Errorf("%s does not show what %s shows, so their delays cannot be compared: put both on one point, side by side, in the same direction, and let the machine run", x.setup.Channels[c].Name, x.setup.Channels[0].Name)
		}
		s.Seconds -= x.setup.Channels[c].Delay - x.setup.Channels[0].Delay
		out = append(out, s)
	}
	return out, x.setup, nil
}
