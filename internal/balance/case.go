package balance

import "counterpoise/internal/rotor"

// Sensor is one measuring point.
type Sensor struct {
	Name      string
	Tolerance float64 // peak value, in the unit of the vectors; 0 = none given
	// Slope is d ln V / d ln speed as measured in a run-up, coast-down or from
	// the wander within a record: the real part is the exponent of the amplitude,
	// the imaginary part the radians of phase per unit of relative speed. 0 = not
	// known, and then nothing is normalised.
	Slope complex128
}

// Vector is what one sensor showed in one run.
type Vector struct {
	V       complex128 // peak phasor
	Cov     rotor.Cov  // its covariance; meaningful only where Known
	DoF     float64    // degrees of freedom of Cov; 0 = treat as known exactly
	Known   bool       // an uncertainty was stated
	NoPhase bool       // only |V| was measured
	Missing bool       // this sensor gave nothing usable in this run
}

// Run is one steady state of the rotor.
type Run struct {
	Name    string
	Weights []rotor.Weight // all weights on the rotor, relative to as found
	Speed   float64        // rad/s; 0 = unknown
	Vectors []Vector       // one per sensor
	// State is the thermal or operating state in which the run was made, such as
	// "cold" or "hot". Runs of different states have an as-found vector each and
	// share the influence coefficients. Empty is a state like any other.
	State string
}

// Errors are the slips of hand that a result must carry.
type Errors struct {
	Mass   float64 // relative standard deviation of a weighed mass
	Angle  float64 // rad, standard deviation of a placing
	Repeat float64 // relative run-to-run standard deviation of a vector
}

// Case is all that a solver needs.
type Case struct {
	Machine rotor.Machine
	Planes  []rotor.Plane
	Sensors []Sensor
	Runs    []Run
	Errors  Errors
}

// Verdict is a judgement with its numbers and what to do about it.
type Verdict struct {
	Code string // stable key, kebab-case
	Text string // one or two sentences: what, how much, what to do
}
