package main

import (
	"testing"

	"counterpoise/internal/balance/detective"
)

// A short run of the campaign whose table is the claim: it must stay alive, and
// nowhere far from what a thousand jobs give.
func TestDetectiveNamesTheSlip(t *testing.T) {
	const jobs = 40
	for _, l := range []layout{layouts[1], layouts[2], layouts[4]} {
		right, all := 0, 0
		for _, slip := range l.slips() {
			got := l.count(7, slip, jobs, 1)
			if slip == detective.NoSlip {
				if quiet := got.named[""]; quiet < jobs-3 { // 1 % each: 4 of 40 happens once in a thousand
					t.Errorf("%s: %d of %d good jobs raised an alarm", l.name, jobs-quiet, jobs)
				}
				continue
			}
			right, all = right+got.named[slip], all+jobs
		}
		if share := float64(right) / float64(all); share < l.want {
			t.Errorf("%s: %.0f %% of all slips named right, want %.0f %%", l.name, 100*share, 100*l.want)
		}
	}
}
