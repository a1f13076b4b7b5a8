package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"counterpoise/internal/acq"
)

var recordCommand = command{
	name: "record", args: "SOURCE FILE [--for SECONDS]", summary: "a raw recording, replayed with file:FILE",
	run: runRecord,
}

func runRecord(ctx context.Context, e env, args []string) (err error) {
	o := newOptions("record", e)
	seconds := o.Float64("for", 0, "seconds to record (0: until interrupted or the source ends)")
	rest, err := o.parse(args)
	if err != nil {
		return err
	}
	if len(rest) != 2 {
		return fmt.Errorf("%w: name a source and the file to write, for instance serial:/dev/ttyACM0 run.take", errUsage)
	}
	if !(*seconds >= 0) {
		return fmt.Errorf("%w: --for %v must not be negative", errUsage, *seconds)
	}
	format := "frames"
	if !strings.HasPrefix(rest[0], "rig:") {
		var raw bool
		if format, raw = acq.Format(rest[0]); !raw {
			return fmt.Errorf("%s is a recording or plain samples already: copy it as it is", rest[0])
		}
	}
	rec, err := acq.NewRecorder(rest[1])
	if err != nil {
		return err
	}
	from := e.sourceOptions()
	from.Tap = rec.Tap
	src, err := openSource(ctx, rest[0], from)
	if err != nil {
		rec.Close()
		return err
	}
	err = recordBlocks(ctx, src, rec, acq.TakeHeader{Format: format, Source: rest[0], Version: release}, *seconds)
	counts := src.Counts()
	src.Close()
	if kept := rec.Close(); err == nil || errors.Is(err, io.EOF) || ctx.Err() != nil {
		err = kept
	}
	if err != nil {
		return err
	}
	written, missed := rec.Bytes()
	fmt.Fprintf(e.stdout, "%s: %d bytes, %d samples a channel, %d tach edges", rest[1], written, counts.Samples, counts.Edges)
	if lost := counts.LostSamples; lost > 0 || missed > 0 {
		fmt.Fprintf(e.stdout, "; %d samples lost on the way and %d bytes by a slow disk: turns that touch them will not be used", lost, missed)
	}
	_, err = fmt.Fprintln(e.stdout)
	return err
}

// recordBlocks reads src until enough seconds on the board's clock have passed.
func recordBlocks(ctx context.Context, src acq.Source, rec *acq.Recorder, h acq.TakeHeader, seconds float64) error {
	first := uint64(0)
	for n := 0; ; n++ {
		b, err := src.Next(ctx)
		if err != nil {
			return err
		}
		if n == 0 {
			first, h.Setup = b.Sample, b.Setup
			if err := rec.Begin(h, time.Now()); err != nil {
				return err
			}
		}
		if rec.Failed() {
			return nil // Close says why, and what is kept
		}
		if seconds > 0 && float64(b.Sample+uint64(b.Len())-first) >= seconds*b.Setup.Rate {
			return nil
		}
	}
}
