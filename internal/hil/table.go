package hil

import (
	"fmt"
	"strings"

	"counterpoise/internal/acq"
)

// Refused is how many frames were refused for any reason.
func Refused(c acq.Counts) (n uint64) {
	for _, k := range c.Refused {
		n += k
	}
	return n
}

// Row is a Trial in one line.
func Row(t Trial) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%.0f s, %d frames, %d refused; samples %d of %d, %d counted lost, balanced %v; edges %d of %d, %d counted lost, balanced %v; trusted %v;",
		t.Truth.Seconds, t.Counts.Frames, Refused(t.Counts), t.Samples.Delivered, t.Samples.Numbered, t.Samples.Lost, t.Samples.Balanced(),
		t.Edges.Delivered, t.Edges.Numbered, t.Edges.Lost, t.Edges.Balanced(), t.Trusted)
	for c, f := range t.Pins {
		fmt.Fprintf(&b, " pin %d: %d turns, %d dropped, worst turn off by %.2f %%, reading by %.3f %%;", c, f.Turns, f.Dropped, 100*f.Worst, 100*t.Off[c])
	}
	return strings.TrimSuffix(b.String(), ";")
}
