package acq

import (
	"iter"
	"maps"
	"strings"

	"counterpoise/internal/acq/tickline"
)

// Reasons of refusal beyond those of the wire codec.
const (
	NoGreeting   = "no_greeting"    // a data frame before the board introduced itself
	NotAsGreeted = "not_as_greeted" // a data frame with other channels than the greeting names
	Echo         = "echo"           // a host command came back: the line echoes
	BadLine      = "bad_line"       // a text line that is neither sample nor edge
	EdgeOrder    = "edge_order"     // a tach edge dated before the one before it
)

// RefuseReasons is the fixed list of the keys of Counts.Refused.
func RefuseReasons() []string {
	var all []string
	for _, r := range tickline.Reasons {
		all = append(all, r.String())
	}
	return append(all, NoGreeting, NotAsGreeted, Echo, BadLine, EdgeOrder)
}

// LossReasons is the fixed list of the keys of Counts.Gaps.
func LossReasons() []string {
	var all []string
	for l := LostFrames; l <= ClockStep; l++ {
		all = append(all, l.String())
	}
	return all
}

func newCounts() Counts {
	return Counts{Refused: map[string]uint64{}, Gaps: map[string]uint64{}}
}

func (c Counts) clone() Counts {
	c.Refused, c.Gaps = maps.Clone(c.Refused), maps.Clone(c.Gaps)
	return c
}

// splitList yields the parts of a comma-separated list without blanks.
func splitList(s string) iter.Seq[string] {
	return func(yield func(string) bool) {
		for p := range strings.SplitSeq(s, ",") {
			if p = strings.TrimSpace(p); p != "" && !yield(p) {
				return
			}
		}
	}
}

func quoted(names []string) string { return strings.Join(names, ", ") }
