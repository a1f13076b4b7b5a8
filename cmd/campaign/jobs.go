package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
)

// jobAnswer is what of the answer of demo --auto --json goes into the table.
type jobAnswer struct {
	rig  string
	seed int
	err  error

	OK   bool   `json:"ok"`
	Why  string `json:"why"`
	Runs []struct {
		Name  string  `json:"name"`
		Worst float64 `json:"worst_mm_s"`
	} `json:"runs"`
	Residual  float64 `json:"residual_mm_s"`
	Radius95  float64 `json:"residual_radius95_mm_s"`
	Tolerance float64 `json:"tolerance_mm_s"`
	Frames    int     `json:"frames"`
	Refused   int     `json:"frames_refused"`
}

// runJobs balances virtual fans unattended with the very command a user types,
// and prints how each job went. It fails where a job did not end inside its
// tolerance.
func runJobs(ctx context.Context, w io.Writer, args []string) error {
	fs := flag.NewFlagSet("jobs", flag.ContinueOnError)
	rigs := fs.String("rigs", "bench-fan,extractor,cooling-fan", "virtual fans")
	seeds := fs.Int("seeds", 20, "individuals of each, from 1")
	at := fs.Int("at-once", 2, "jobs at the same time")
	if err := fs.Parse(args); err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "campaign-jobs-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	bin := filepath.Join(dir, "counterpoise")
	if out, err := exec.CommandContext(ctx, "go", "build", "-o", bin, "./cmd/counterpoise").CombinedOutput(); err != nil {
		return fmt.Errorf("build: %w\n%s", err, out)
	}
	var jobs []*jobAnswer
	for _, r := range strings.Split(*rigs, ",") {
		for seed := 1; seed <= *seeds; seed++ {
			jobs = append(jobs, &jobAnswer{rig: r, seed: seed})
		}
	}
	todo := make(chan *jobAnswer)
	var workers sync.WaitGroup
	for range *at {
		workers.Go(func() {
			for j := range todo {
				j.run(ctx, bin)
				fmt.Fprint(os.Stderr, ".")
			}
		})
	}
	for _, j := range jobs {
		todo <- j
	}
	close(todo)
	workers.Wait()
	fmt.Fprintln(os.Stderr)
	return tabulate(w, jobs)
}

func (j *jobAnswer) run(ctx context.Context, bin string) {
	var out, errs bytes.Buffer
	cmd := exec.CommandContext(ctx, bin, "demo", "--auto", "--json", "--rig", j.rig, "--seed", fmt.Sprint(j.seed))
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	if bad := json.Unmarshal(out.Bytes(), j); bad != nil {
		j.err = fmt.Errorf("no answer (%v): %s", err, strings.TrimSpace(errs.String()))
		return
	}
	if (err == nil) != j.OK {
		j.err = fmt.Errorf("ok is %v and the exit status says %v", j.OK, err)
	}
}

// levels are the worst levels as found, after the first correction and after
// the last trim; NaN where there was no such run.
func (j *jobAnswer) levels() (found, first, trim float64) {
	found, first, trim = math.NaN(), math.NaN(), math.NaN()
	for _, r := range j.Runs {
		switch {
		case r.Name == "as found":
			found = r.Worst
		case r.Name == "proof":
			first = r.Worst
		case strings.HasPrefix(r.Name, "proof after trim"):
			trim = r.Worst
		}
	}
	return found, first, trim
}

func tabulate(w io.Writer, jobs []*jobAnswer) error {
	const row = "%-12s %4v %9s %9s %9s %9s %9s %9s %5v  %s\n"
	fmt.Fprintln(w, "levels of the worst sensor at 1x in mm/s rms; residual = last run, +- = its stated 95 % radius")
	fmt.Fprintf(w, row, "rig", "seed", "found", "first", "trim", "residual", "+-", "tolerance", "runs", "")
	failed := 0
	first, ratio := map[string][]float64{}, map[string][]float64{}
	var rigs []string
	for _, j := range jobs {
		found, f, trim := j.levels()
		word := "inside"
		if j.err != nil || !j.OK {
			failed++
			word = "FAILED: " + j.Why
		}
		if j.err != nil {
			word = "FAILED: " + j.err.Error()
		}
		if j.Refused > 0 {
			word += fmt.Sprintf(" (%d of %d frames refused)", j.Refused, j.Frames)
		}
		fmt.Fprintf(w, row, j.rig, j.seed, mm(found), mm(f), mm(trim), mm(j.Residual), mm(j.Radius95), mm(j.Tolerance), len(j.Runs), word)
		if !slices.Contains(rigs, j.rig) {
			rigs = append(rigs, j.rig)
		}
		if f > 0 && found > 0 {
			first[j.rig] = append(first[j.rig], f/found)
		}
		if j.Tolerance > 0 {
			ratio[j.rig] = append(ratio[j.rig], (j.Residual+j.Radius95)/j.Tolerance)
		}
	}
	for _, r := range rigs {
		fmt.Fprintf(w, "%s: first correction leaves %s of as found; residual with its bound %s of the tolerance (median, worst)\n",
			r, share(first[r]), share(ratio[r]))
	}
	fmt.Fprintf(w, "%d of %d jobs ended inside their tolerance\n", len(jobs)-failed, len(jobs))
	if failed > 0 {
		return errors.New("not every job ended inside its tolerance")
	}
	return nil
}

func mm(x float64) string {
	if math.IsNaN(x) {
		return "-"
	}
	return fmt.Sprintf("%.3f", x)
}

func share(xs []float64) string {
	if len(xs) == 0 {
		return "-"
	}
	slices.Sort(xs)
	return fmt.Sprintf("%.1f %%, %.1f %%", 100*xs[len(xs)/2], 100*xs[len(xs)-1])
}

// runKill kills a process that drives an unattended job two hundred times. The
// trial is the test of package job with more rounds.
func runKill(ctx context.Context, w io.Writer, args []string) error {
	return killTest(ctx, w, args, "./internal/job")
}

// runStoreKill does the same to a process that saves events and files in a job
// database.
func runStoreKill(ctx context.Context, w io.Writer, args []string) error {
	return killTest(ctx, w, args, "./internal/store")
}

// killTest runs the TestKill of a package with as many kills as args say.
func killTest(ctx context.Context, w io.Writer, args []string, pkg string) error {
	kills := "200"
	if len(args) > 0 {
		kills = args[0]
	}
	cmd := exec.CommandContext(ctx, "go", "test", "-count=1", "-v", "-run", "^TestKill$", "-timeout", "60m", pkg)
	cmd.Env = append(os.Environ(), "COUNTERPOISE_KILLS="+kills)
	cmd.Stdout, cmd.Stderr = w, w
	return cmd.Run()
}
