// Command campaign runs the long trials whose tables back the project's
// claims: thousands of simulated jobs, readings or frames from fixed seeds.
// They are not part of go test, because they take minutes.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
)

type campaign struct {
	name, summary string
	run           func(ctx context.Context, w io.Writer, args []string) error
}

// campaigns in the order in which they are listed.
var campaigns = []campaign{
	{"tickline", "damaged frames: how many are taken for good ones", ticklineFrames},
	{"board-a", "board A's firmware in its emulator: a known signal for 660 s, stalls and damage", boardA},
	{"jobs", "whole unattended jobs on three virtual fans, 20 individuals each", runJobs},
	{"kill", "a driven job killed 200 times: no acknowledged event lost", runKill},
	{"store-kill", "a process that saves in the job database killed 200 times: nothing acknowledged lost", runStoreKill},
	{"page-kill", "the real program killed 200 times while its page and API drive a job: nothing acknowledged lost", runPageKill},
	{"page-load", "what 1 and 20 browsers cost the daemon, and the page a browser", runPageLoad},
	{"page", "whole jobs by hand and every view in a real browser, phone and wide, light and dark", runPage},
	{"phase", "error of amplitude and phase against the Cramer-Rao bound", runPhase},
	{"phase-coverage", "how often a reading's 95 % region holds the true vector", runPhaseCoverage},
	{"phase-drift", "100 simulated hours: does the phase creep?", runPhaseDrift},
	{"coverage", "how often the solver's stated 95 % holds the truth", coverage},
	{"trial", "the trial verdict beside the rule of thumb, 10,000 jobs", trialVerdict},
	{"correction", "what one correction and one trim leave on the three rigs", oneCorrection},
	{"one-plane", "the verdict on one plane or two, 1,000 jobs a rig", onePlane},
	{"blades", "blade surveys: fewest moves, predicted change, geometry or mass", surveys},
	{"place", "the exact split of weights beside an integer-programming solver", placing},
	{"detective", "how often the right slip of hand is named, and how often one that was not made", detectiveCampaign},
	{"speed-poweroff", "what vanishes with the current and what follows the speed: names right and wrong", powerOffs},
	{"speed-track", "heights and places of running blades from a distance sensor", runningTracks},
	{"speed-coast", "resonance, damping and phase slope from coast-downs, and coverage", coastDowns},
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if len(os.Args) > 1 {
		for _, c := range campaigns {
			if c.name == os.Args[1] {
				if err := c.run(ctx, os.Stdout, os.Args[2:]); err != nil {
					fmt.Fprintf(os.Stderr, "campaign %s: %v\n", c.name, err)
					os.Exit(1)
				}
				return
			}
		}
	}
	fmt.Println("use: go run ./cmd/campaign NAME")
	for _, c := range campaigns {
		fmt.Printf("  %-12s %s\n", c.name, c.summary)
	}
	os.Exit(2)
}
