package phase

// MarksAlike reports that the marks of the turn look alike, so that any of them
// may have been taken for zero: angles are then off by a whole number of their
// spacings, all by the same until the rotor next stands.
func (t *Turn) MarksAlike() bool { return t.alike }
