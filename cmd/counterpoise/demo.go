package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"counterpoise/internal/acq"
	"counterpoise/internal/rig"
	"counterpoise/internal/station"
	"counterpoise/internal/store"
)

var demoCommand = command{"demo", "[--auto [--json]] [--rig NAME] [--seed N] [--pace X]", "a virtual fan, the daemon and its page", runDemo}

// The fans that are shown where none is named. On the page a person meets what
// weights alone do not cure: two bent blades beside an honest unbalance. The
// unattended job has no hands for a blade, and balances a fan with true ones.
const (
	demoFan = "bench-fan-bent"
	autoFan = "bench-fan"
)

func runDemo(ctx context.Context, e env, args []string) error {
	o := newOptions("demo", e)
	name := o.String("rig", "", "the virtual fan: one of "+strings.Join(rigNames(), ", ")+" (default "+demoFan+"; with --auto "+autoFan+")")
	seed := o.Uint64("seed", 1, "which individual of that fan")
	auto := o.Bool("auto", false, "balance it unattended; fails if it does not end inside its tolerance")
	asJSON := o.Bool("json", false, "with --auto: print JSON")
	list := o.Bool("list", false, "list the virtual fans")
	stories := o.Bool("scenarios", false, "list the virtual fans and the scenarios on them, with their stories")
	listen := o.String("listen", station.DefaultListen, "host:port of the page; the next free port where it is taken")
	pace := o.Float64("pace", 1, "how many times faster than the wall clock the virtual fan's time goes by")
	data := o.String("data", "", "folder of the jobs; without it one of this fan's own in the user's cache")
	rest, err := o.parse(args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return fmt.Errorf("%w: demo takes no argument, only options; %q is one too many", errUsage, rest[0])
	case *asJSON && !*auto:
		return fmt.Errorf("%w: --json belongs to --auto", errUsage)
	case !(*pace >= 0.1 && *pace <= 100):
		return fmt.Errorf("%w: --pace is a number from 0.1 to 100; 1 is the pace of a real fan", errUsage)
	case *list:
		_, err := fmt.Fprintln(e.stdout, strings.Join(rig.Names(), "\n"))
		return err
	case *stories:
		return tellFans(e)
	}
	if *auto {
		*name = cmp.Or(*name, autoFan)
	}
	*name = cmp.Or(*name, demoFan)
	r, err := rig.New(*name, *seed)
	if err != nil {
		return err
	}
	if *auto {
		return runAuto(ctx, e, r, *name, *seed, *asJSON)
	}
	if err := r.SetPace(*pace); err != nil {
		return err
	}
	return demoPage(ctx, e, r, *listen, cmp.Or(*data, demoData(*name, *seed)))
}

// demoData is where the jobs of a virtual fan live: one folder for each
// individual, because a job goes on only on the rotor that it was begun on.
func demoData(name string, seed uint64) string {
	cache, err := os.UserCacheDir()
	if err != nil {
		cache = os.TempDir()
	}
	return filepath.Join(cache, "counterpoise", "demo", fmt.Sprintf("%s-%d", name, seed))
}

// tellFans names every fan and scenario with its story.
func tellFans(e env) error {
	p := &printer{w: e.stdout}
	for _, name := range rigNames() {
		fan, err := rig.Preset(name)
		if err != nil {
			return err
		}
		p.f("%-16s  %s\n", name, fan.Story)
	}
	return p.err
}

func rigNames() []string { return append(rig.Names(), rig.Scenarios()...) }

// demoPage serves the virtual fan as a real board would be served.
func demoPage(ctx context.Context, e env, r *rig.Rig, listen, data string) error {
	log := newLog(e)
	ln, err := listenNear(listen)
	if err != nil {
		return err
	}
	defer ln.Close()
	jobs, err := openJobs(data)
	if errors.Is(err, store.ErrInUse) { // a second demo of the same fan; its jobs last as long as it does
		if data, err = os.MkdirTemp("", "counterpoise-demo-"); err != nil {
			return fmt.Errorf("make a folder for the jobs: %w", err)
		}
		defer os.RemoveAll(data)
		jobs, err = openJobs(data)
	}
	if err != nil {
		return err
	}
	defer jobs.Close()
	// A job that is under way finds its rotor standing; else the fan runs, so
	// that there is something to see.
	begun, err := underWay(ctx, jobs)
	if err != nil {
		return err
	}
	fan, err := keepFan(r, data, begun)
	if err != nil {
		return err
	}
	if !begun {
		if err := r.Start(); err != nil {
			return err
		}
	}
	word, err := serveRig(ctx, r, "")
	if err != nil {
		return err
	}
	src, err := acq.Open(word, acq.Options{Log: log, Wait: true})
	if err != nil {
		return err
	}
	var d daemon
	d.jobs = jobs
	d.add(rigStation(r, word), src, fan, log)
	d.pages[0].Setup = rigSetup(r, word)
	page, err := d.page(ln, nil, log)
	if err != nil {
		d.close()
		return err
	}
	fmt.Fprintf(e.stdout, "counterpoise: a virtual fan (%s; invented, no real machine) is running.\nOpen http://%s%s in a browser; end with Ctrl-C.\n",
		r.Describe().Name, ln.Addr(), cmp.Or(page.LoginPath(), "/"))
	return d.run(ctx, ln, page)
}

// underWay reports whether any job is still open.
func underWay(ctx context.Context, jobs *store.Store) (bool, error) {
	list, err := jobs.Jobs(ctx)
	return slices.ContainsFunc(list, func(m store.Summary) bool { return m.Closed.IsZero() && m.Damage == "" }), err
}

// rigStation is the configuration of a station on a virtual fan.
func rigStation(r *rig.Rig, word string) station.StationConfig {
	c := station.StationConfig{Name: r.Describe().Name, Source: word, Orders: []int{1, 2, 3}, Machine: r.Machine(), Planes: r.Planes()}
	for _, name := range r.Describe().Channels {
		c.Channels = append(c.Channels, station.ChannelConfig{Name: name})
	}
	return c
}
