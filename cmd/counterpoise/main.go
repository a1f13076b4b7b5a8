// Command counterpoise measures the once-per-revolution vibration of a fan and
// works out the weights that make it run smoothly.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// env is what a command may touch of the world, so that tests run the real thing.
type env struct {
	stdin          io.Reader
	stdout, stderr io.Writer
}

type command struct {
	name, args, summary string
	run                 func(ctx context.Context, e env, args []string) error
}

// commands in the order in which help lists them.
var commands = []command{
	demoCommand,
	serveCommand,
	jobsCommand,
	measureCommand,
	recordCommand,
	checkCommand,
	delaysCommand,
	portsCommand,
	solveCommand,
	surveyCommand,
	versionCommand,
	licencesCommand,
}

// errUsage marks an error after which the command's usage helps.
var errUsage = errors.New("usage")

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(dispatch(ctx, env{os.Stdin, os.Stdout, os.Stderr}, os.Args[1:]))
}

// dispatch runs one command and turns its error into one sentence and an exit
// code: 0 done, 1 failed, 2 called wrongly.
func dispatch(ctx context.Context, e env, args []string) int {
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		usage(e.stdout)
		return 0
	}
	for _, c := range commands {
		if c.name != args[0] {
			continue
		}
		err := c.run(ctx, e, args[1:])
		switch {
		case err == nil:
			return 0
		case errors.Is(err, flag.ErrHelp):
			return 0
		case errors.Is(err, context.Canceled) && ctx.Err() != nil:
			fmt.Fprintf(e.stderr, "counterpoise %s: ended before enough was read to say anything\n", c.name)
			return 1
		case errors.Is(err, errUsage):
			fmt.Fprintf(e.stderr, "counterpoise %s: %v\nuse: counterpoise %s %s\n", c.name, err, c.name, c.args)
			return 2
		}
		fmt.Fprintf(e.stderr, "counterpoise %s: %v\n", c.name, err)
		return 1
	}
	fmt.Fprintf(e.stderr, "counterpoise: there is no command %q; counterpoise help lists them\n", args[0])
	return 2
}

func usage(w io.Writer) {
	fmt.Fprint(w, "counterpoise: balance a fan, prove it, and keep watching it\n\n")
	for _, c := range commands {
		fmt.Fprintf(w, "  %-9s %-22s %s\n", c.name, c.args, c.summary)
	}
}
