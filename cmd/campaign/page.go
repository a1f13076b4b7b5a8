package main

import (
	"context"
	"io"
	"os"
	"os/exec"
)

// runPageKill kills the real program two hundred times while a job is driven
// through its API and its page.
func runPageKill(ctx context.Context, w io.Writer, args []string) error {
	kills := "200"
	if len(args) > 0 {
		kills = args[0]
	}
	return webTest(ctx, w, "^TestPageKill$", "COUNTERPOISE_KILLS="+kills)
}

// runPage looks at every view of a whole job in a real browser, on a phone and
// wide, light and dark, does whole jobs by hand in both windows, and counts what
// the first one costs a newcomer.
func runPage(ctx context.Context, w io.Writer, _ []string) error {
	return webTest(ctx, w, "^(TestEveryView|TestJobByHand|TestBentFanByHand|TestNewcomerIsQuick)$", "COUNTERPOISE_LONG=1")
}

// runPageLoad measures what twenty browsers cost the daemon and what the page
// costs a browser.
func runPageLoad(ctx context.Context, w io.Writer, _ []string) error {
	return webTest(ctx, w, "^TestPageLoad$", "COUNTERPOISE_LONG=1")
}

// webTest runs tests of package web in their long form.
func webTest(ctx context.Context, w io.Writer, run, env string) error {
	cmd := exec.CommandContext(ctx, "go", "test", "-count=1", "-v", "-run", run, "-timeout", "60m", "./internal/web")
	cmd.Env = append(os.Environ(), env)
	cmd.Stdout, cmd.Stderr = w, w
	return cmd.Run()
}
