package phase

import "fmt"

// choose sets how the turns are reduced and why.
func (a *Average) choose(r *Reading) {
	f := &a.fit
	f.near = f.near[:0]
	switch {
	case a.n < 4:
		f.method = Equal
		r.Why = fmt.Sprintf("equal weights, because a taper over %d turns would leave almost nothing", a.n)
	case a.cfg.Method == Equal:
		f.method, r.Why = Equal, "equal weights as asked: least noise, no protection from neighbouring tones"
	case a.cfg.Method == Joint && len(a.cfg.Neighbours) > 0:
		f.method, r.Why = Joint, "joint fit as asked"
		f.near = append(f.near, a.cfg.Neighbours...)
	default:
		f.method = Taper
		r.Why = fmt.Sprintf("taper over %d turns: tones %.3g orders away and more do not reach the reading", a.n, 3/float64(a.n))
	}
	r.Method = string(f.method)
}

// Slope is how the vector of a turn follows the speed around a reference.
type Slope struct{}
