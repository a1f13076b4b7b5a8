package job

// Tolerances is the tolerance of each sensor of the setup (peak, the sensor's
// unit); 0 where none is known.
func (s State) Tolerances() []float64 {
	t := make([]float64, len(s.Setup.Sensors))
	for i, sen := range s.Setup.Sensors {
		t[i] = sen.Tolerance
	}
	return t
}
