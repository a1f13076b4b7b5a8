package job

// Caution is one thing that keeps people unhurt, shown before the step it
// belongs to. The texts are general practice of the trade in our own words;
// none replaces the rules of the place, the maker or the licensed worker, and
// the first one of every list says so.
type Caution struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

var (
	cautionRules   = Caution{"rules", "The rules of this site and country, the maker's instructions and the permit to work go before anything written here; work on drives, and welding, belongs to people licensed for it."}
	cautionIsolate = Caution{"isolate", "Switch the drive off, isolate it, hang your own lock and tag on the isolator, then try to start it: nothing may happen."}
	cautionEnergy  = Caution{"stored-energy", "Wait until the drive has lost its stored energy: a frequency converter stays live for minutes after it is switched off. Its maker states how long."}
	cautionBlock   = Caution{"block", "Block the rotor so that draught, a second fan or a sloping mass cannot turn it, and make sure that no automatic or remote command can start it."}
	cautionStill   = Caution{"prove-still", "Prove with your own eyes, in steady light, that the shaft stands. A strobe makes a turning rotor look still, and a silent tach proves nothing: it may only have lost its mark."}
	cautionFasten  = Caution{"fasten", "Fix every weight with a fastener made for its pull, tightened and secured, so that it cannot fly off; count weights, bolts and tools back out."}
	cautionWeld    = Caution{"weld", "If you weld, clamp the return lead to the rotor itself, close to the weld: current through the bearings destroys them."}
	cautionCap     = Caution{"force-cap", "Never fit more than the plane's stated cap: the pull of a weight grows with the square of the speed."}
	cautionClear   = Caution{"clear", "Before the start: locks and blocks taken off by those who put them on, tools out, guards and doors closed, everyone told."}
	cautionPlane   = Caution{"stay-out", "Nobody stands in the plane of rotation while the rotor turns: that is where a loose weight or blade flies."}
	cautionSpeed   = Caution{"speed", "Never run above the highest speed that the rotor is allowed to reach."}
	cautionStop    = Caution{"stop-ready", "One person stands at the stop button during the whole run-up and stops at once when it shakes more than the abort level, smells, or sounds wrong."}
	cautionGuards  = Caution{"guards-on", "The guards stay on as long as the rotor turns; cables of sensors and tach must not be able to reach it."}
)

// Cautions by what the person is about to do.
var (
	cautionsNear  = []Caution{cautionRules, cautionIsolate, cautionEnergy, cautionBlock, cautionStill}
	cautionsFit   = append(cautionsNear[:len(cautionsNear):len(cautionsNear)], cautionFasten, cautionWeld, cautionCap)
	cautionsStart = []Caution{cautionRules, cautionClear, cautionGuards, cautionPlane, cautionSpeed, cautionStop}
	cautionsRun   = []Caution{cautionRules, cautionPlane, cautionGuards, cautionSpeed, cautionStop}
)

// AllCautions is every caution once, as the first look shows them.
func AllCautions() []Caution {
	return []Caution{
		cautionRules, cautionIsolate, cautionEnergy, cautionBlock, cautionStill, cautionFasten, cautionWeld,
		cautionCap, cautionClear, cautionGuards, cautionPlane, cautionSpeed, cautionStop,
	}
}
