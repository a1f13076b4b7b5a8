package casefile

import (
	"fmt"
	"io"

	"counterpoise/internal/balance"
)

// Ask is what is wanted of a case.
type Ask string

// What may be asked.
const (
	AskCorrection Ask = "correction"
	AskTrial      Ask = "trial"     // a safe trial weight
	AskTolerance  Ask = "tolerance" // permissible residual unbalance
	AskPlacement  Ask = "placement" // every way to make the correction on the real rotor
	AskProof      Ask = "proof"     // residual unbalance by a moving test weight
)

// Asks are all of them, in the order in which people are offered them.
var Asks = []Ask{AskCorrection, AskTrial, AskTolerance, AskPlacement, AskProof}

// Answer reads a case and answers what is asked of it: a Result, TrialResult,
// ToleranceResult, PlacementResult or the answer of Prove, ready for WriteJSON. confirmed accepts
// a trial above 10 % of the rotor's weight in force, where its effect is known.
func Answer(r io.Reader, ask Ask, confirmed bool) (any, error) {
	if ask == AskProof {
		return Prove(r)
	}
	job, err := Read(r)
	if err != nil {
		return nil, err
	}
	switch ask {
	case AskCorrection:
		a, err := balance.Solve(job.Case, job.Options)
		if err != nil {
			return nil, err
		}
		return job.Result(a), nil
	case AskPlacement:
		return job.Placements()
	case AskTrial:
		return job.Trial(confirmed)
	case AskTolerance:
		return job.Tolerance()
	}
	return nil, fmt.Errorf("%q cannot be asked of a case: ask for correction, trial, tolerance, placement or proof", ask)
}

// Text is an answer that a person can read as it stands; the others are JSON only.
type Text interface{ WriteText(w io.Writer) error }
