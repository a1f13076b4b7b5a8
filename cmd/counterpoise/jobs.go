package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"counterpoise/internal/station"
	"counterpoise/internal/store"
)

var jobsCommand = command{"jobs", "[export ID FILE | import FILE] [--data DIR]", "the balancing jobs: listed, exported with their raw signals, brought in", runJobs}

func runJobs(ctx context.Context, e env, args []string) error {
	o := newOptions("jobs", e)
	data := o.String("data", "", "folder of the jobs; without it that of the configuration")
	config := o.String("config", "station.toml", "the configuration that names the folder")
	rest, err := o.parse(args)
	if err != nil {
		return err
	}
	if *data == "" {
		if *data, err = dataOf(*config); err != nil {
			return err
		}
	}
	switch {
	case len(rest) == 0:
		return listJobs(ctx, e.stdout, *data)
	case rest[0] == "export" && len(rest) == 3:
		return exportJob(ctx, e.stdout, *data, rest[1], rest[2])
	case rest[0] == "import" && len(rest) == 2:
		return importJob(ctx, e.stdout, *data, rest[1])
	}
	return fmt.Errorf("%w: jobs alone lists them; else export ID FILE or import FILE", errUsage)
}

// dataOf is the folder that a configuration names.
func dataOf(config string) (string, error) {
	f, err := os.Open(config)
	if err != nil {
		return "", fmt.Errorf("%w: say with --data where the jobs are, or with --config what names it", err)
	}
	defer f.Close()
	c, err := station.ReadConfig(f)
	if err != nil {
		return "", fmt.Errorf("%s: %w", config, err)
	}
	return c.Data, nil
}

// readJobs opens the jobs to be looked at; a running daemon may have them.
func readJobs(data string) (*store.Store, error) {
	path := filepath.Join(data, "jobs.db")
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there are no jobs in %s: name their folder with --data", data)
	}
	return store.OpenToRead(path)
}

func listJobs(ctx context.Context, w io.Writer, data string) error {
	s, err := readJobs(data)
	if err != nil {
		return err
	}
	defer s.Close()
	list, err := s.Jobs(ctx)
	if err != nil {
		return err
	}
	if len(list) == 0 {
		_, err = fmt.Fprintf(w, "There are no jobs in %s yet; one is begun on the page.\n", data)
		return err
	}
	for _, m := range list {
		state := m.Next
		if m.Damage != "" {
			state = m.Damage
		}
		fmt.Fprintf(w, "%s  %s  %s, %s: %s\n", m.ID, m.Opened.Format("2006-01-02 15:04"), m.Station, m.Name, state)
	}
	return nil
}

func exportJob(ctx context.Context, w io.Writer, data, id, file string) error {
	s, err := readJobs(data)
	if err != nil {
		return err
	}
	defer s.Close()
	missing, err := s.ExportFile(ctx, id, file, time.Now())
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "%s: the job %s; its raw signals lie beside it in a folder of that name\n", file, id)
	for _, m := range missing {
		fmt.Fprintln(w, m)
	}
	return nil
}

func importJob(ctx context.Context, w io.Writer, data, file string) error {
	s, err := openJobs(data)
	if errors.Is(err, store.ErrInUse) {
		return fmt.Errorf("%w: bring the job in on its page, or end it first", err)
	}
	if err != nil {
		return err
	}
	defer s.Close()
	done, err := s.ImportFile(ctx, file)
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "%s: the job %s; %d of its events are new here\n", file, done.ID, done.New)
	for _, m := range done.Missing {
		fmt.Fprintln(w, m)
	}
	return nil
}
