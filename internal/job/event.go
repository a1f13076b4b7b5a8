package job

import (
	"encoding/json"
	"time"

	"counterpoise/internal/balance"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Kind says what happened. The words stand in stored jobs and never change.
type Kind string

// The kinds of event and the fields of Event that each carries.
const (
	KindSetup    Kind = "setup"    // Setup: the job is described, or described anew
	KindLook     Kind = "look"     // Look: one point of the first look is answered
	KindSurvey   Kind = "survey"   // Survey: a blade survey, as typed
	KindStarted  Kind = "started"  // the rotor is about to be started; Purpose AlreadyRunning where it was found turning
	KindStopped  Kind = "stopped"  // the rotor was proved to stand still
	KindAborted  Kind = "aborted"  // Level: a run was broken off because it shook too much
	KindFitted   Kind = "fitted"   // Purpose, Plane, Weights: all weights on the rotor, relative to as found
	KindMeasured Kind = "measured" // Reading, Overall: a reading was taken
	KindAdvised  Kind = "advised"  // Purpose, Plane, Weights, Verdicts, Expected: what was advised
	KindSkipped  Kind = "skipped"  // Step, Note: a step was left out, and why
	KindUndone   Kind = "undone"   // Target no longer counts
	KindRedone   Kind = "redone"   // Target counts again
	KindAmended  Kind = "amended"  // Target counts as if it had carried this event's fields
	KindOperator Kind = "operator" // By operates from now on
	KindNoted    Kind = "noted"    // Note, File, Survey: a remark, a photograph, a take, a blade survey begun
	KindClosed   Kind = "closed"   // Note where the rotor is not inside its tolerance
	KindReopened Kind = "reopened" // a closed job goes on

	KindStraightened Kind = "straightened" // Moves: blades were bent or turned
)

// The purposes of a fitted or advised set of weights.
const (
	PurposeTrial      = "trial"
	PurposeCorrection = "correction"
	PurposeTrim       = "trim"
	PurposeBare       = "bare" // back to as found, or to what was there before
	// AlreadyRunning marks a started event of a rotor that was found turning;
	// it is no start of the motor.
	AlreadyRunning = "already running"
)

// Event is what a person or the station did. Which fields count depends on
// Kind; the others stay zero. Stored events are never altered.
type Event struct {
	Number int       `json:"n"`            // running from 1; Append gives it
	At     time.Time `json:"at"`           // host time, given by the caller
	By     string    `json:"by,omitempty"` // the operator, by a name of his own choice
	Kind   Kind      `json:"kind"`
	Note   string    `json:"note,omitempty"`

	Setup    *Setup            `json:"setup,omitempty"`
	Look     *Look             `json:"look,omitempty"`
	Survey   json.RawMessage   `json:"survey,omitempty"`
	Purpose  string            `json:"purpose,omitempty"`
	Plane    string            `json:"plane,omitempty"` // the plane a trial weight went to
	Weights  []rotor.Weight    `json:"weights,omitempty"`
	Reading  *phase.Reading    `json:"-"`                 // stored as "reading", see wire.go
	Overall  []float64         `json:"overall,omitempty"` // m/s rms per sensor of the setup; 0 = not measured
	Verdicts []balance.Verdict `json:"verdicts,omitempty"`
	Expected []Expected        `json:"expected,omitempty"` // what the advised weights should leave
	Moves    []BladeMove       `json:"moves,omitempty"`    // what was done to which blade
	Step     string            `json:"step,omitempty"`     // the Key of the skipped step
	Target   int               `json:"target,omitempty"`   // number of the event undone, redone or amended
	Level    float64           `json:"level,omitempty"`    // m/s peak
	File     string            `json:"file,omitempty"`     // name of a photograph or take beside the job

	// Seen is the number of the newest event the sender knew of. Where it is
	// not zero and not the newest any more, Append refuses with ErrStale. It is
	// not stored.
	Seen int `json:"-"`
}

// Setup is what a job must know before it starts. It stays as it is for the
// whole job: the mark, the sensors and their directions must not move between
// two readings that are compared.
type Setup struct {
	Name          string           `json:"name"`
	Machine       rotor.Machine    `json:"machine"`
	Planes        []rotor.Plane    `json:"planes"`
	Sensors       []Sensor         `json:"sensors"`
	Convention    rotor.Convention `json:"convention"`              // how the people of this job count angles
	Side          string           `json:"side,omitempty"`          // side from which the rotor is drawn
	Clockwise     bool             `json:"clockwise,omitempty"`     // seen from there the rotor turns clockwise
	StartsPerHour int              `json:"starts_per_hour"`         // the motor's limit; 0 = not known
	Abort         float64          `json:"abort,omitempty"`         // m/s peak, a run is broken off above it; 0 = none
	TrialStays    bool             `json:"trial_stays"`             // trial weights stay on for the following runs
	Trims         int              `json:"trims,omitempty"`         // trims before the cause is to be sought elsewhere; 0 = 2
	Errors        balance.Errors   `json:"errors"`                  // slips of hand that results must carry
	Fingerprint   string           `json:"fingerprint,omitempty"`   // of board, channels and delays, so that coefficients are never mixed up
	Known         *Known           `json:"known,omitempty"`         // what earlier jobs with an equal Print found
	Zones         rotor.Zones      `json:"zones,omitzero"`          // severity zones of this machine; zero = a preset by power
	Source        string           `json:"source,omitempty"`        // SOURCE word of the board at set-up, for people
	Virtual       bool             `json:"virtual_rotor,omitempty"` // no person and no real rotor are involved
}

// Sensor is one measuring point of the job.
type Sensor struct {
	Name      string  `json:"name"`                // the channel's name in every reading
	Direction string  `json:"direction,omitempty"` // where it points, in words
	Tolerance float64 `json:"tolerance,omitempty"` // m/s peak at 1x; 0 = follows from the machine's grade
	Raw       bool    `json:"raw,omitempty"`       // the channel has no unit: readings and Tolerance are raw
}

// Look answers one point of the first look.
type Look struct {
	Item string `json:"item"` // a Code of LookItems
	OK   bool   `json:"ok"`
}
