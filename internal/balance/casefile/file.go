package casefile

// File is a case as people write it.
type File struct {
	Convention  string      `json:"convention"`
	Unit        string      `json:"unit,omitempty"`
	Detector    string      `json:"detector,omitempty"`
	Phase       string      `json:"phase,omitempty"`
	SpeedRPM    *float64    `json:"speed_rpm,omitempty"`
	Machine     *Machine    `json:"machine,omitempty"`
	Planes      []Plane     `json:"planes"`
	Sensors     []Sensor    `json:"sensors"`
	Runs        []Run       `json:"runs"`
	Errors      *Errors     `json:"errors,omitempty"`
	Prior       *Prior      `json:"prior,omitempty"`
	Options     *Options    `json:"options,omitempty"`
	FingerPrint *FingerJSON `json:"fingerprint,omitempty"`
}

// Machine is what the file says of the rotor.
type Machine struct {
	Name        string  `json:"name,omitempty"`
	MassKg      float64 `json:"mass_kg,omitempty"`
	Grade       float64 `json:"grade,omitempty"` // mm/s
	MaxSpeedRPM float64 `json:"max_speed_rpm,omitempty"`
	PowerKW     float64 `json:"power_kw,omitempty"`
	Flexible    bool    `json:"flexible_support,omitempty"`
	// Distances of the bearings from the centre of mass, for sharing out the
	// permissible unbalance.
	Bearings *Bearings `json:"bearings,omitempty"`
}

// Bearings are the two bearing planes A and B.
type Bearings struct {
	ToAMM    float64 `json:"to_a_mm"`
	ToBMM    float64 `json:"to_b_mm"`
	Overhung bool    `json:"overhung,omitempty"` // the centre of mass lies beyond B
}

// Plane is a correction plane.
type Plane struct {
	Name      string    `json:"name"`
	RadiusMM  float64   `json:"radius_mm,omitempty"`
	ZMM       float64   `json:"z_mm,omitempty"`
	Positions int       `json:"positions,omitempty"`
	FirstDeg  float64   `json:"first_position_deg,omitempty"`
	Forbidden []int     `json:"forbidden,omitempty"`
	CapG      float64   `json:"cap_g,omitempty"`
	MaxForceN float64   `json:"max_force_n,omitempty"`
	MassesG   []float64 `json:"masses_g,omitempty"`
}

// Sensor is a measuring point.
type Sensor struct {
	Name      string  `json:"name"`
	Tolerance float64 `json:"tolerance,omitempty"` // in the unit and detector of the file
	Trip      float64 `json:"trip,omitempty"`      // level at which the machine is stopped, likewise
	// How the 1x vector changes with speed: |V| ~ speed^n, and degrees of phase
	// (in the convention) per percent of speed.
	SpeedExponent   float64 `json:"speed_exponent,omitempty"`
	PhaseDegPerPcnt float64 `json:"phase_deg_per_percent,omitempty"`
}

// Run is one steady state of the rotor.
type Run struct {
	Name     string    `json:"name,omitempty"`
	State    string    `json:"state,omitempty"`
	SpeedRPM *float64  `json:"speed_rpm,omitempty"`
	Phase    string    `json:"phase,omitempty"`
	Weights  []Weight  `json:"weights"`
	Vectors  []*Vector `json:"vectors"` // null: this sensor gave nothing
}

// Weight is a mass on the rotor.
type Weight struct {
	Plane    string   `json:"plane"`
	MassG    *float64 `json:"mass_g"`
	AngleDeg *float64 `json:"angle_deg"`
	RadiusMM float64  `json:"radius_mm,omitempty"`
}

// Vector is one reading.
type Vector struct {
	Amplitude     *float64 `json:"amplitude"`
	PhaseDeg      *float64 `json:"phase_deg,omitempty"`
	StandardError *float64 `json:"standard_error,omitempty"` // per axis
	DoF           float64  `json:"degrees_of_freedom,omitempty"`
	Phase         string   `json:"phase,omitempty"`
}

// Errors are the slips of hand, in percent and degrees.
type Errors struct {
	MassPercent   float64 `json:"mass_percent,omitempty"`
	AngleDeg      float64 `json:"angle_deg,omitempty"`
	RepeatPercent float64 `json:"repeat_percent,omitempty"`
}

// Options steer the solver.
type Options struct {
	Method     string `json:"method,omitempty"`
	Compromise bool   `json:"compromise,omitempty"`
	Draws      int    `json:"draws,omitempty"`
	Seed       uint64 `json:"seed,omitempty"`
}

// Polar is a phasor for people.
type Polar struct {
	Amplitude float64 `json:"amplitude"`
	PhaseDeg  float64 `json:"phase_deg"`
}

// Prior is what earlier jobs know of the coefficients, per gram.
type Prior struct {
	Influence   [][]Polar   `json:"influence"`          // [sensor][plane]
	Scatter     [][]float64 `json:"standard_deviation"` // [sensor][plane], of the complex coefficient
	FingerPrint *FingerJSON `json:"fingerprint,omitempty"`
	Jobs        int         `json:"jobs,omitempty"`
}

// FingerJSON is what must be the same for old coefficients to count.
type FingerJSON struct {
	Machine  string    `json:"machine,omitempty"`
	Sensors  []string  `json:"sensors,omitempty"`
	SpeedRPM float64   `json:"speed_rpm,omitempty"`
	RadiiMM  []float64 `json:"radii_mm,omitempty"`
	Tach     string    `json:"tach,omitempty"`
	Board    string    `json:"board,omitempty"`
}
