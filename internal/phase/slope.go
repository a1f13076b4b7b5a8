package phase

// Slope is how the vector of order 1 follows the speed around Speed: V(w) =
// V(Speed) (1 + Rate (w/Speed - 1)), Rate complex. Far below a resonance a mass
// gives about 3 + 0i in velocity.
type Slope struct {
	Speed float64 // rad/s, that the reading is brought to; 0 = its mean
	Rate  complex128
}
