package phase

import "math"

// slow judges what the turns that were seen leave possible below the slowest
// change in them. Noise of turns is taken to be white plus a part that forgets
// as exp(-1/tau) from turn to turn, of unknown size and tau. The power of the
// cosines weighs every such model against the others (the likelihood of Whittle,
// Gaussian noise, its scale integrated out); each says by how much the reading
// is worse than the slowest cosines show, and the weighted mean of that (rms)
// widens the covariance. A correlation that the turns cannot exclude so enters the
// error with its probability.
type slow struct {
	turns, seen, cosines int
	taper                bool
	models               []slowModel
	weight               []float64
}

type slowModel struct {
	tau     float64   // turns; 0 = white
	inverse []float64 // of the relative power of every cosine
	logs    float64   // sum of the logarithms of those powers
	worse   float64   // true variance of the reading over that from the slowest cosines
	prior   float64
}

const (
	slowCosines = 32   // looked at, unless more are used
	whitePrior  = 0.96 // probability, before anything is seen, that turns are white
	// A change that has had fewer correlation times than slowTimes to show itself
	// is not known; it matters from slowWorse times the variance.
	slowTimes = 6
	slowWorse = 1.5
	// In fewer turns than slowFrom nothing of it can be seen and the prior alone
	// would speak; up to shortView what is seen is too little to rely on.
	slowFrom  = 32
	shortView = 64
)

// prepare builds the models for a reading of turns within seen, whose variance
// is the mean over so many cosines.
func (s *slow) prepare(turns, seen, cosines int, taper bool) {
	if s.turns == turns && s.seen == seen && s.cosines == cosines && s.taper == taper && len(s.models) > 0 {
		return
	}
	s.turns, s.seen, s.cosines, s.taper = turns, seen, cosines, taper
	s.models = s.models[:0]
	s.model(0, 0, whitePrior)
	sizes := [...]float64{0.1, 0.3, 1, 3, 10, 100} // of the white part's variance
	longest := math.Max(64, float64(seen)/2)
	taus := math.Floor(math.Log2(longest))
	for tau := 2.0; tau <= longest; tau *= 2 {
		for _, q := range sizes {
			s.model(tau, q, (1-whitePrior)/taus/float64(len(sizes)))
		}
	}
}

// looked is how many cosines the models are compared on.
func (s *slow) looked() int { return max(s.cosines, min(slowCosines, s.seen-1)) }

func (s *slow) model(tau, size, prior float64) {
	m := slowModel{tau: tau, prior: prior, inverse: make([]float64, s.looked())}
	rho := 0.0
	if tau > 0 {
		rho = math.Exp(-1 / tau)
	}
	mean := 0.0
	for j := range m.inverse {
		w := math.Pi * float64(j+1) / float64(s.seen)
		p := 1 + size*(1-rho*rho)/(1+rho*rho-2*rho*math.Cos(w))
		m.inverse[j] = 1 / p
		m.logs += math.Log(p)
		if j < s.cosines {
			mean += p / float64(s.cosines)
		}
	}
	// The variance of the weighted mean is the autocorrelation of the noise times
	// that of the weights, summed over the lags.
	sum, power := 1.0, rho
	for lag := 1; lag < s.turns && power > 1e-9; lag++ {
		sum += 2 * power * s.overlap(float64(lag)/float64(s.turns))
		power *= rho
	}
	m.worse = (1 + size*sum) / mean
	s.models = append(s.models, m)
}

// overlap is the autocorrelation of the weights at a lag, as a share of the
// reading; 1 at 0. For the taper it is that of a Hann window.
func (s *slow) overlap(u float64) float64 {
	if !s.taper {
		return 1 - u
	}
	sin, cos := math.Sincos(2 * math.Pi * u)
	return (1-u)*(2+cos)/3 + sin/(2*math.Pi)
}

// judge weighs the models by the power of the cosines. widen is the factor for
// the covariance, doubt the probability that changes too slow to be known from
// the turns seen make the error matter.
func (s *slow) judge(power []float64) (widen, doubt float64) {
	n := float64(len(power))
	s.weight = resize(s.weight, len(s.models))
	best := math.Inf(-1)
	for i, m := range s.models {
		sum := 0.0
		for j, p := range power {
			sum += p * m.inverse[j]
		}
		if !(sum > 0) {
			return 1, 0
		}
		s.weight[i] = math.Log(m.prior) - m.logs - n*math.Log(sum)
		best = math.Max(best, s.weight[i])
	}
	var all, square float64
	for i, m := range s.models {
		w := math.Exp(s.weight[i] - best)
		all += w
		square += w * m.worse * m.worse
		if m.tau*slowTimes > float64(s.seen) && m.worse > slowWorse {
			doubt += w
		}
	}
	// Models far worse count by their square: the careful side is the cheaper one.
	return math.Max(1, math.Sqrt(square/all)), doubt / all
}
