package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"

	"counterpoise/internal/balance/casefile"
)

var solveCommand = command{
	name: "solve", args: "FILE [--json] [--ask correction|trial|tolerance|placement|proof]", summary: "corrections from a case file (- reads standard input)",
	run: runSolve,
}

func runSolve(_ context.Context, e env, args []string) error {
	o := newOptions("solve", e)
	asJSON := o.Bool("json", false, "answer as JSON")
	ask := o.String("ask", "correction", "what is wanted: correction; trial (a safe trial weight); tolerance (permissible unbalance); placement (every way to make the correction on the real rotor); proof (residual unbalance by a moving test weight). All but correction and placement answer in JSON")
	confirm := o.Bool("confirm-larger-trial", false, "with --ask trial: you accept a trial above 10 % of the rotor's weight in force, where its effect is known")
	rest, err := o.parse(args)
	if err != nil {
		return err
	}
	if len(rest) != 1 {
		return fmt.Errorf("%w: name one case file, or - for standard input", errUsage)
	}
	if !slices.Contains(casefile.Asks, casefile.Ask(*ask)) {
		return fmt.Errorf("%w: --ask %s is not known: write correction, trial, tolerance, placement or proof", errUsage, *ask)
	}
	var answer any
	err = withFile(e, rest[0], func(r io.Reader) (err error) {
		answer, err = casefile.Answer(r, casefile.Ask(*ask), *confirm)
		return err
	})
	if err != nil {
		return err
	}
	if text, ok := answer.(casefile.Text); ok && !*asJSON {
		return text.WriteText(e.stdout)
	}
	return casefile.WriteJSON(e.stdout, answer)
}

// withFile hands a file, or standard input for "-", to use.
func withFile(e env, name string, use func(io.Reader) error) error {
	if name == "-" {
		return use(e.stdin)
	}
	f, err := os.Open(name)
	if err != nil {
		var p *os.PathError
		if errors.As(err, &p) {
			err = p.Err
		}
		return fmt.Errorf("the case %s could not be opened: %w; check the name", name, err)
	}
	defer f.Close()
	return use(f)
}
