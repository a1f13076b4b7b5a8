package rotor

// Machine describes the rotor to be balanced. Unknown figures are zero, and
// what depends on them is then said to be unknown, never guessed.
type Machine struct {
	Name     string
	Mass     float64 // kg, rotor
	Grade    float64 // m/s, balance quality grade (G 6.3 is 0.0063)
	Speed    float64 // rad/s, running speed
	MaxSpeed float64 // rad/s, highest reachable speed; 0 = Speed
	Power    float64 // W, driver
	Blades   int
	Blade1   float64 // rad, angle of blade 1 from the mark, with rotation
	LineHz   float64 // nominal line frequency, 50 or 60; 0 = unknown. Estimated, never assumed, where it matters
	Poles    int     `json:",omitempty"` // of the motor; 0 = unknown
	// MotorRatio and BeltRatio are turns of the motor and of the belt for one of
	// the rotor; 0 = unknown or none.
	MotorRatio float64 `json:",omitempty"`
	BeltRatio  float64 `json:",omitempty"`
	Flexible   bool    // support class: first support resonance below running speed
}
