package main

import (
	"flag"
	"fmt"
	"io"
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

// parse returns the arguments that are not options; a lone "-" is an argument.
func (o options) parse(args []string) (rest []string, err error) {
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
