package job

// LookItem is one point of the first look. The list is common practice of the
// trade (no source): most of what shakes is dirt, looseness or damage, and
// weights must not hide it.
type LookItem struct {
	Code string `json:"code"`
	What string `json:"what"`
	Why  string `json:"why"`
	// Must points are never skipped, and a "no" to them stops the job until
	// they are answered "yes".
	Must bool `json:"must"`
	// Near points need a person at the rotor, so it must stand still.
	Near bool `json:"near"`
}

// The codes of the look items that other code refers to.
const (
	ItemCautions = "cautions"
	ItemCracks   = "no-cracks"
	ItemSurvey   = "blade-survey"
)

// LookItems are the points of the first look in their order.
var LookItems = []LookItem{
	{ItemCautions, "Read the cautions and agree on who stands at the stop button.",
		"a weight that flies off or a rotor that starts by itself kills.", true, false},
	{"clean", "Clean the rotor: no dust, scale, ice or grease on blades and hub.",
		"dirt is a weight that falls off later; balancing it in is wasted.", false, true},
	{"dry", "See that the rotor is dry and drained: no water in hollow blades, hub or spinner.",
		"water moves at every start, so no two readings would agree.", false, true},
	{ItemCracks, "Look for cracks and damage at blade roots, welds, hub and shaft.",
		"a cracked rotor must not be run, whatever it weighs.", true, true},
	{"tight", "Try bolts, hub fit, keys, belts and the feet of fan and motor: all tight.",
		"what is loose changes from run to run and cannot be balanced.", false, true},
	{ItemSurvey, "Measure whether the blades are true: track (tip heights) and pitch (twist).",
		"a bent or turned blade acts like unbalance, and no weight cures it.", false, true},
	{"mark", "Fix the reference mark and the tach so that neither can move, and photograph them.",
		"every angle of the job is counted from this mark.", false, true},
	{"blade-1", "Note the angle from the mark to blade 1 and the way the blades are numbered.",
		"weights are placed by blade or hole number.", false, true},
	{"sensors", "Fix the sensors where they stay for the whole job, note their directions, photograph them.",
		"a moved sensor makes two readings incomparable.", false, true},
}

func lookItem(code string) (LookItem, bool) {
	for _, it := range LookItems {
		if it.Code == code {
			return it, true
		}
	}
	return LookItem{}, false
}

// LookAhead are the points of the first look that are due: the next one, and
// those after it that can be answered at the same standstill with nothing to be
// measured in between.
func (s State) LookAhead() (out []LookItem) {
	for _, it := range LookItems {
		done, bad := s.looked(it)
		switch {
		case done:
			continue
		case bad || it.Code == ItemSurvey || len(out) > 0 && it.Near != out[0].Near:
			return out
		}
		out = append(out, it)
	}
	return out
}

// looked tells whether a point needs no more attention, and whether it was
// answered "no".
func (s State) looked(it LookItem) (done, bad bool) {
	a, ok := s.answer(it.Code)
	if ok && a.OK {
		return true, false
	}
	if it.Code == ItemSurvey && len(s.Surveys) > 0 && !ok {
		return true, false
	}
	if !it.Must && s.skipped("look:"+it.Code) {
		return true, false
	}
	return false, ok
}
