package main

import (
	"context"
	"fmt"
	"io"
	"os"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/casefile"
)

var solveCommand = command{
	name: "solve", args: "FILE [--json]", summary: "corrections from a case file (- reads standard input)",
	run: runSolve,
}

func runSolve(_ context.Context, e env, args []string) error {
	o := newOptions("solve", e)
	asJSON := o.Bool("json", false, "answer as JSON")
	rest, err := o.parse(args)
	if err != nil {
		return err
	}
	if len(rest) != 1 {
		return fmt.Errorf("%w: name one case file, or - for standard input", errUsage)
	}
	job, err := readCase(e, rest[0])
	if err != nil {
		return err
	}
	answer, err := balance.Solve(job.Case, job.Options)
	if err != nil {
		return err
	}
	result := job.Result(answer)
	if *asJSON {
		return result.Write(e.stdout)
	}
	return result.WriteText(e.stdout)
}

func readCase(e env, name string) (casefile.Job, error) {
	var r io.Reader = e.stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return casefile.Job{}, fmt.Errorf("the case could not be opened: %w; check the name", err)
		}
		defer f.Close()
		r = f
	}
	return casefile.Read(r)
}
