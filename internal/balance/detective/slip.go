package detective

// Slip is a usual slip of hand.
type Slip string

// The slips that are looked for.
const (
	NoSlip         Slip = "none"
	AnglesReversed Slip = "angles-reversed"       // angles counted the other way round in every run
	WeightMirrored Slip = "weight-mirrored"       // the weights of one run counted the other way round
	Opposite       Slip = "opposite"              // 180 degrees off: the opposite side, or removed instead of added
	WrongPlane     Slip = "wrong-plane"           // fitted in the other plane
	WrongHole      Slip = "wrong-hole"            // one place off
	TrialLeftOn    Slip = "trial-left-on"         // recorded as taken off, still there
	NotFitted      Slip = "not-fitted"            // recorded, not on the rotor
	SensorsSwapped Slip = "sensors-swapped"       // two cables or channels exchanged
	SensorTurned   Slip = "sensor-turned"         // one sensor turned round
	PhaseMoved     Slip = "phase-reference-moved" // mark, tach or its delay moved
)

// advice is what to do about a slip, once it is known where it was made.
var advice = map[Slip]string{
	AnglesReversed: "Do not move a weight yet: settle, with one place other than 0 and 180 degrees, in which direction angles are counted, switch the convention of the weights and solve the same runs again.",
	WeightMirrored: "Look at the rotor: if the weight sits at the mirrored angle, record where it is and solve again, or move it to where it was meant to be.",
	Opposite:       "Look at the rotor: if the weight sits on the opposite side, or material was removed instead of added, record that and solve again, or move it.",
	WrongPlane:     "Look at the rotor: if the weight sits in the other plane, record it there and solve again, or move it. Whether the trial or the correction was exchanged changes the same thing.",
	WrongHole:      "Count the places again from number 1 in the numbering's direction; record the place where the weight really sits and solve again, or move it.",
	TrialLeftOn:    "Look whether the weight is still there; if so, either record it in these runs and solve again, or take it off and repeat the proof run.",
	NotFitted:      "Look whether the weight is really on the rotor and tight; if it came off, find it before the next start. Record what is there and solve again.",
	SensorsSwapped: "Trace both cables from sensor to channel; exchange the readings of these runs and solve again. No weight need be moved for this.",
	SensorTurned:   "Look at the sensor's direction or polarity; reverse its readings in these runs and solve again. No weight need be moved for this.",
	PhaseMoved:     "Look whether the mark, the tach or its setting was moved or bumped; repeat the as-found run and the last run with the reference fixed. No weight need be moved for this.",
}
