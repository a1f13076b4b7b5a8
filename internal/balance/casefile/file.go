package casefile

// File is a case as people write it.
type File struct {
	Convention  string      `json:"convention"`
	Unit        string      `json:"unit,omitempty"`
	Detector    string      `json:"detector,omitempty"`
	Phase       string      `json:"phase,omitempty"`
	SeenFrom    string      `json:"seen_from,omitempty"` // side from which placements are drawn and read out, such as "the motor side"
	Turns       string      `json:"turns,omitempty"`     // clockwise or anticlockwise, seen from there
	SpeedRPM    *float64    `json:"speed_rpm,omitempty"`
	Machine     *Machine    `json:"machine,omitempty"`
	Box         *Box        `json:"box,omitempty"` // one box of weights for all planes without masses_g of their own
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
	Blades      int     `json:"blades,omitempty"`
	Blade1Deg   float64 `json:"blade_1_deg,omitempty"` // angle of blade 1 from the mark
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

	// What the real rotor and the box allow.
	Stock     []int      `json:"stock,omitempty"`             // how many of each of masses_g lie in the box, beside what is on the rotor
	RadiiMM   []float64  `json:"position_radii_mm,omitempty"` // one for each position; 0 = radius_mm
	Existing  []Existing `json:"existing,omitempty"`          // weights that sat there as found already
	Stack     int        `json:"stack,omitempty"`             // most weights on one position; 0 = as many as its cap carries
	MaxPieces int        `json:"max_weights,omitempty"`       // most weights handled; 0 = the search decides

	// Other ways to make the same correction, for --ask placement.
	OtherRadiiMM []float64 `json:"other_radii_mm,omitempty"`
	MovableG     []float64 `json:"movable_g,omitempty"` // one or two weights that slide to any angle; one stands for two equal ones
	ArcDeg       float64   `json:"arc_deg,omitempty"`   // length of a strip fitted instead of a point
	Removal      *Removal  `json:"removal,omitempty"`
}

// Box is what weights there are.
type Box struct {
	MassesG []float64 `json:"masses_g"`
	Stock   []int     `json:"stock,omitempty"`
}

// Existing is a weight that sat on the rotor as found, such as a clip of an
// earlier balancing. It is no part of the weights of any run.
type Existing struct {
	Position int     `json:"position"`
	MassG    float64 `json:"mass_g"`
	Fixed    bool    `json:"fixed,omitempty"` // may not be moved or taken off
}

// Removal says where and how material may be removed. Nothing is advised unless
// the maker allows it, says how deep, and the part is one of Parts.
type Removal struct {
	MakerAllows  bool    `json:"maker_allows"`
	Part         string  `json:"part"`
	MaxDepthMM   float64 `json:"max_depth_mm"`
	SurfaceMM    float64 `json:"surface_radius_mm,omitempty"` // where the hole or strip starts; 0 = radius_mm
	Density      float64 `json:"density_kg_m3"`
	DrillMM      float64 `json:"drill_mm,omitempty"`
	PointDeg     float64 `json:"drill_point_deg,omitempty"` // 0 = a flat bottom
	GrindWidthMM float64 `json:"grind_width_mm,omitempty"`
	GrindArcDeg  float64 `json:"grind_arc_deg,omitempty"`
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
