package phase

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"
)

// slowNoise is a steady vector of 1 with white noise and a part at order 1 that
// keeps rho of itself from turn to turn: what only a long view can see.
func slowNoise(seed uint64, turns int, rho float64, each func(*Turn)) {
	r := rand.New(rand.NewPCG(seed, 8))
	const perTurn = 32.7
	keep := math.Pow(rho, 1/perTurn)
	kick := math.Sqrt(1 - keep*keep)
	a, b := r.NormFloat64(), r.NormFloat64()
	bs := record(oneChannel(25*perTurn), func(t float64) float64 { return 25*t + 0.9 }, (float64(turns)+1.4)/25, func(_, th float64) float64 {
		sin, cos := math.Sincos(th)
		a, b = keep*a+kick*r.NormFloat64(), keep*b+kick*r.NormFloat64()
		return cos + 0.3*r.NormFloat64() + 0.09*(a*cos+b*sin)
	})
	extract(NewExtractor(Config{}), bs, each)
}

// A reading of 16 turns after 256 others knows how slowly the vector wanders; the
// same reading alone does not, and says so.
func TestShortReadingsKnowWhatRanBefore(t *testing.T) {
	const trials, turns = 200, 16
	limit := func(o Component) float64 { return math.Sqrt(EllipseLimit(0.95, o.DoF) * o.Cov.PerAxis()) }
	var inside, alone int
	for k := range trials {
		rolling := NewAverage(AverageConfig{Turns: turns, Method: Taper})
		var last []Turn
		slowNoise(uint64(k), 256+turns, 0.95, func(u *Turn) {
			rolling.Add(u)
			var c Turn
			u.copyTo(&c)
			last = append(last, c)
		})
		rd := rolling.Reading()
		if rd.Seen < 250 || rd.Turns != turns || rd.Flagged(ShortView) {
			t.Fatalf("seen %d, turns %d, flags %v", rd.Seen, rd.Turns, rd.Flags)
		}
		o := rd.Channels[0].Orders[0]
		if apart(o.Value, 1) < limit(o) {
			inside++
		}
		// An average that begins now takes over what the other one saw.
		before, later, blind := NewAverage(AverageConfig{Turns: turns, Method: Taper}), NewAverage(AverageConfig{Method: Taper}), NewAverage(AverageConfig{Method: Taper})
		n := len(last) - turns
		for i := range last[:n] {
			before.Add(&last[i])
		}
		later.Remember(before)
		for i := range last[n:] {
			later.Add(&last[n+i])
			blind.Add(&last[n+i])
		}
		got := later.Reading()
		if g := got.Channels[0].Orders[0]; got.Seen != rd.Seen || g.Value != o.Value || !(math.Abs(g.Cov.PerAxis()/o.Cov.PerAxis()-1) < 1e-9) {
			t.Fatalf("remembered: seen %d, %v; rolling: seen %d, %v", got.Seen, g, rd.Seen, o)
		}
		b := blind.Reading()
		if !b.Flagged(ShortView) || !b.Trusted() {
			t.Fatalf("%d turns alone: flags %v", b.Turns, b.Flags)
		}
		if apart(b.Channels[0].Orders[0].Value, 1) < limit(b.Channels[0].Orders[0]) {
			alone++
		}
	}
	t.Logf("inside the 95 %% region: %d of %d with what ran before, %d without", inside, trials, alone)
	if inside < trials*90/100 || alone > trials*80/100 {
		t.Errorf("inside the 95 %% region: %d of %d with what ran before, %d without", inside, trials, alone)
	}
}

// Sixty-four turns alone see that the vector wanders, and not how far: most such
// readings say so, and few readings of white noise do.
func TestSlowWanderIsSaid(t *testing.T) {
	said := func(rho float64) (n int) {
		for k := range 100 {
			a := NewAverage(AverageConfig{})
			slowNoise(uint64(k), 64, rho, a.Add)
			if r := a.Reading(); r.Flagged(NotSettled) {
				n++
			}
		}
		return n
	}
	if n := said(0.95); n < 85 {
		t.Errorf("a vector that wanders over 20 turns was called out in %d of 100 readings", n)
	}
	if n := said(0.01); n > 20 {
		t.Errorf("white noise was called out in %d of 100 readings", n)
	}
}

// What ran at another speed, before a standstill or a long hole is no witness.
func TestOtherRunsAreNotRemembered(t *testing.T) {
	var turns []Turn
	slowNoise(1, 100, 0.5, func(u *Turn) {
		var c Turn
		u.copyTo(&c)
		turns = append(turns, c)
	})
	for name, change := range map[string]func(u *Turn){
		"another speed": func(u *Turn) { u.Speed *= 1.05 },
		"a standstill":  func(u *Turn) { u.run++ },
		"a long hole":   func(u *Turn) { u.Tick -= 10 },
		"none":          func(u *Turn) {},
	} {
		a := NewAverage(AverageConfig{Turns: 16, Method: Taper})
		for i, u := range turns {
			u.Values = slices.Clone(u.Values)
			if i < 60 {
				change(&u)
			}
			a.Add(&u)
		}
		want := len(turns) - 60
		if name == "none" {
			want = len(turns)
		}
		if r := a.Reading(); r.Seen != want || !(cmplx.Abs(r.Channels[0].Orders[0].Value-1) < 0.5) {
			t.Errorf("%s: seen %d, want %d", name, r.Seen, want)
		}
	}
}

// Unrest on both sides of the order - a resonance, a wandering vector - is no
// neighbour, however far it stands above the noise.
func TestUnrestIsNoNeighbour(t *testing.T) {
	removed := 0
	for k := range 200 {
		a := NewAverage(AverageConfig{})
		slowNoise(uint64(k), 64, 0.9, a.Add)
		if r := a.Reading(); r.Method == string(Joint) {
			removed++
		}
	}
	t.Logf("a tone was removed from %d of 200 readings that hold none", removed)
	if removed > 24 {
		t.Errorf("a tone was removed from %d of 200 readings that hold none", removed)
	}
}
