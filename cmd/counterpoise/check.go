package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"counterpoise/internal/acq"
	"counterpoise/internal/check"
	"counterpoise/internal/rotor"
)

var checkCommand = command{
	name: "check", args: "SOURCE [--json]", summary: "is this board, its sensors and its tach fit for the job, and if not, why",
	run: runCheck,
}

// errNotFit makes check exit non-zero; the page has said why.
var errNotFit = errors.New("not fit for balancing yet: the page above says what to do")

func runCheck(ctx context.Context, e env, args []string) error {
	o := newOptions("check", e)
	asJSON := o.Bool("json", false, "answer as JSON")
	seconds := o.Float64("for", 30, "seconds to look at")
	speed := o.Float64("speed", 0, "rpm, where the tach tells none")
	mass := o.Float64("mass", 0, "kg of what moves: rotor and what moves with it")
	grade := o.String("grade", "", "balance quality grade that is wanted, for instance G6.3")
	same := o.Bool("same-point", false, "all sensors sit at one point (or the test pin drives all inputs): measure the delays between channels")
	tap := o.String("tap", "", "name of the sensor that you tap meanwhile: tells swapped channels")
	rest, err := o.parse(args)
	if err != nil {
		return err
	}
	if len(rest) != 1 {
		return fmt.Errorf("%w: name one source, for instance serial:/dev/ttyACM0", errUsage)
	}
	if !(*seconds > 0) || math.IsInf(*seconds, 0) || !(*speed >= 0) || !(*mass >= 0) {
		return fmt.Errorf("%w: --for must be above 0, --speed and --mass cannot be negative", errUsage)
	}
	m := check.Machine{Speed: rotor.RadPerSecond(*speed), Mass: *mass, SamePoint: *same, Tapped: *tap}
	if *grade != "" {
		if m.Grade, err = rotor.ParseGrade(*grade); err != nil {
			return fmt.Errorf("%w: %w", errUsage, err)
		}
	}
	src, err := openSource(ctx, rest[0], e.sourceOptions())
	if err != nil {
		return err
	}
	defer src.Close()
	x := check.New(m)
	for x.Seconds() < *seconds {
		b, err := src.Next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		x.Add(b)
	}
	if s, ok := src.(acq.Pulsed); ok {
		if pulse, ok := s.Pulse(); ok {
			x.Pulse(pulse)
		}
	}
	p := x.Page(src.Counts())
	if p.Source == "" {
		p.Source = rest[0]
	}
	if *asJSON {
		enc := json.NewEncoder(e.stdout)
		enc.SetIndent("", " ")
		err = enc.Encode(p)
	} else {
		err = checkPage(e.stdout, p)
	}
	if err == nil && !p.Fit {
		err = errNotFit
	}
	return err
}

// pageWidth is what fits on a sheet in a fixed font.
const pageWidth = 100

// checkPage is the page for people: one finding a line, its remedy below it, and
// last in each part what is well in one line, so that a page stays a page.
// Figures that people look for stand in full.
func checkPage(w io.Writer, p check.Page) error {
	out := &printer{w: w}
	out.f("%s\n%s, %.0f s", p.Source, p.Board, p.Seconds)
	if p.SpeedRPM != nil {
		out.f(", %.1f rpm", *p.SpeedRPM)
	}
	out.f("\n%s\n\n", wrapped(p.Why, 0))
	words := map[check.Verdict]string{check.OK: "ok", check.Note: "LOOK", check.Unfit: "MEND", check.Open: "open"}
	findings := slices.Clone(p.Findings) // by part, in the order in which the parts come
	first := map[string]int{}
	for i, f := range findings {
		if _, ok := first[f.Subject]; !ok {
			first[f.Subject] = i
		}
	}
	slices.SortStableFunc(findings, func(a, b check.Finding) int { return first[a.Subject] - first[b.Subject] })
	var well []string // findings of the part that is being listed
	part := ""
	close := func() {
		if len(well) > 0 {
			out.f("%-4s %-8s %s\n", "ok", part, wrapped("well: "+strings.Join(well, ", "), pageIndent))
		}
		well = nil
	}
	for _, f := range findings {
		if f.Subject != part {
			close()
			part = f.Subject
		}
		inFull := f.Code == "noise" || f.Subject == "link" || f.Subject == "clock" || f.Subject == "tach"
		if f.Verdict == check.OK && !inFull {
			well = append(well, f.Code)
			continue
		}
		out.f("%-4s %-8s %s\n", words[f.Verdict], f.Subject, wrapped(f.Text, pageIndent))
		if f.Remedy != "" {
			out.f("%-13s -> %s\n", "", wrapped(f.Remedy, pageIndent+3))
		}
	}
	close()
	return out.err
}

// pageIndent is where the texts of a page begin.
const pageIndent = 14

// wrapped breaks a text into lines of a page, all but the first indented.
func wrapped(text string, indent int) string {
	var b strings.Builder
	at := indent
	for i, word := range strings.Fields(text) {
		switch n := len([]rune(word)); {
		case i > 0 && at+1+n > pageWidth:
			b.WriteString("\n" + strings.Repeat(" ", indent))
			at = indent
		case i > 0:
			b.WriteByte(' ')
			at++
		}
		b.WriteString(word)
		at += len([]rune(word))
	}
	return b.String()
}
