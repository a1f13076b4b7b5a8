package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"

	"counterpoise/internal/blades/surveyfile"
)

var surveyCommand = command{
	name: "survey", args: "[FILE] [--job ID] [--json]", summary: "verdict on blade track and pitch (- reads standard input)",
	run: runSurvey,
}

// runSurvey judges the blade geometry of a survey file.
func runSurvey(ctx context.Context, e env, args []string) error {
	o := newOptions("survey", e)
	asJSON := o.Bool("json", false, "answer as JSON")
	job := o.String("job", "", "set the runs of this job beside the survey, by its ID in the list of jobs; without FILE it is the survey that the job keeps")
	data := o.String("data", "", "with --job: folder of the jobs; without it that of the configuration")
	config := o.String("config", "station.toml", "with --job: the configuration that names the folder")
	var moving runningTask
	moving.options(o)
	rest, err := o.parse(args)
	if err != nil {
		return err
	}
	if moving.json = *asJSON; moving.source != "" {
		if *job != "" {
			return fmt.Errorf("%w: --running sees the blades, --job weighs a survey: one at a time", errUsage)
		}
		return moving.run(ctx, e, o, rest)
	}
	if len(rest) > 1 || len(rest) == 0 && *job == "" {
		return fmt.Errorf("%w: name one survey file, or - for standard input, or the job that keeps one with --job", errUsage)
	}
	var f *surveyfile.File
	if len(rest) == 1 {
		if f, err = readSurvey(e, rest[0]); err != nil {
			return err
		}
	}
	a, unit, err := answerSurvey(ctx, f, *job, *data, *config)
	if err != nil {
		return err
	}
	if *asJSON {
		enc := json.NewEncoder(e.stdout)
		enc.SetEscapeHTML(false)
		return enc.Encode(a)
	}
	printSurvey(e.stdout, a, unit)
	return nil
}

// answerSurvey judges a survey alone or beside a job; unit is that of what it
// foretells, empty where that is the file's own.
func answerSurvey(ctx context.Context, f *surveyfile.File, job, data, config string) (a *surveyfile.Reply, unit string, err error) {
	if job == "" {
		a, err = f.Answer()
		return a, "", err
	}
	if data == "" {
		if data, err = dataOf(config); err != nil {
			return nil, "", err
		}
	}
	a, err = besideJob(ctx, data, job, f)
	return a, " mm/s rms", err
}

func readSurvey(e env, name string) (*surveyfile.File, error) {
	var r io.Reader = e.stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, fmt.Errorf("the survey could not be opened: %w; check the name", err)
		}
		defer f.Close()
		r = f
	}
	data, err := io.ReadAll(io.LimitReader(r, surveyfile.MostBytes))
	if err != nil {
		return nil, fmt.Errorf("the survey could not be read: %w; try again", err)
	}
	return surveyfile.Parse(data)
}

// printSurvey is the answer for people: what was found, what to do, in order.
func printSurvey(w io.Writer, a *surveyfile.Reply, unit string) {
	for _, c := range a.Cautions {
		fmt.Fprintf(w, "! %s\n", c)
	}
	fmt.Fprintln(w)
	if t := a.Track; t != nil {
		fmt.Fprintf(w, "track   spread %.2f mm, first harmonic %.2f +-%.2f blade-mm at %.0f deg\n", t.Spread, t.Sum, t.Radius95, t.Deg)
	}
	if p := a.Pitch; p != nil {
		fmt.Fprintf(w, "pitch   spread %.2f deg, mean %.2f deg, first harmonic %.2f +-%.2f blade-deg at %.0f deg\n", p.Spread, p.Mean, p.Sum, p.Radius95, p.Deg)
	}
	if c := a.Effective; c != nil {
		fmt.Fprintf(w, "couple  %.3g +-%.2g g mm^2 at %.0f deg, with the flow's part\n", c.Amount, *c.Radius95, c.Deg)
	}
	if s := a.Side; s != nil {
		fmt.Fprintf(w, "side    %.3g +-%.2g g mm at %.0f deg, by pitch\n", s.Amount, *s.Radius95, s.Deg)
	}
	fmt.Fprintln(w)
	for _, v := range a.Verdicts {
		fmt.Fprintf(w, "- %s\n", v.Text)
	}
	if a.Measured || len(a.Cause.Evidence) > 0 {
		fmt.Fprintf(w, "- %s\n", a.Cause.Text)
		for _, p := range a.Cause.Evidence {
			fmt.Fprintf(w, "    %s\n", p.Text)
		}
	}
	fmt.Fprintln(w)
	for i, s := range a.Steps {
		fmt.Fprintf(w, "%d. %s\n", i+1, s.Text)
	}
	for _, m := range a.Moves {
		if m.Pitch != nil {
			fmt.Fprintf(w, "   blade %-2d  pitch %+.2f deg\n", m.Blade, *m.Pitch)
		}
		if m.Track != nil {
			fmt.Fprintf(w, "   blade %-2d  %.1f mm %s (ruler %+.1f mm)\n", m.Blade, math.Abs(*m.Track), m.Toward, *m.Ruler)
		}
	}
	printSurvival(w, a)
	for _, p := range a.Predicted {
		fmt.Fprintf(w, "   %s will change by %.2f +-%.2f%s at %.0f deg\n", p.Sensor, p.Amplitude, p.Radius95, unit, p.Deg)
	}
}

// printSurvival shows what the moves must leave as it was.
func printSurvival(w io.Writer, a *surveyfile.Reply) {
	if len(a.Moves) == 0 {
		return
	}
	for _, l := range []struct {
		name, unit    string
		before, after *float64
	}{
		{"mean pitch", "deg", a.Before.MeanPitch, a.After.MeanPitch},
		{"tip clearance", "mm", a.Before.Clearance, a.After.Clearance},
	} {
		if l.before != nil && l.after != nil {
			fmt.Fprintf(w, "   %s %.2f %s before, %.2f %s after\n", l.name, *l.before, l.unit, *l.after, l.unit)
		}
	}
}
