package main

import (
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
)

// options is a flag set whose flags may stand before or after the arguments.
type options struct {
	*flag.FlagSet
	help io.Writer
}

func newOptions(name string, e env) options {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(io.Discard) // dispatch prints the one sentence
	fs.Usage = func() {}     // flag calls it for errors too; parse prints help when asked
	return options{fs, e.stdout}
}

// parse returns the arguments that are not options. A lone "-", and standard
// input with options of its own (-?format=...), are arguments.
func (o options) parse(args []string) (rest []string, err error) {
	if i := slices.IndexFunc(args, func(a string) bool { return strings.HasPrefix(a, "-?") }); i >= 0 {
		before, err := o.parse(args[:i])
		if err != nil {
			return nil, err
		}
		after, err := o.parse(args[i+1:])
		return append(append(before, args[i]), after...), err
	}
	for {
		if err := o.FlagSet.Parse(args); err != nil {
			if err == flag.ErrHelp {
				o.SetOutput(o.help)
				o.PrintDefaults()
				return nil, err
			}
			return nil, fmt.Errorf("%w: %w", errUsage, err)
		}
		args = o.Args()
		if len(args) == 0 {
			return rest, nil
		}
		rest, args = append(rest, args[0]), args[1:]
	}
}
