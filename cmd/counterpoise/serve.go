package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sync/errgroup"

	"counterpoise/internal/acq"
	"counterpoise/internal/station"
	"counterpoise/internal/store"
	"counterpoise/internal/web"
)

var serveCommand = command{"serve", "[FILE] [--listen A]", "the daemon, from station.toml", runServe}

func runServe(ctx context.Context, e env, args []string) error {
	o := newOptions("serve", e)
	listen := o.String("listen", "", "host:port of the page, instead of the file's")
	rest, err := o.parse(args)
	if err != nil {
		return err
	}
	file := "station.toml"
	switch len(rest) {
	case 0:
	case 1:
		file = rest[0]
	default:
		return fmt.Errorf("%w: one configuration file, not %d", errUsage, len(rest))
	}
	f, err := os.Open(file)
	if err != nil {
		return fmt.Errorf("%w: name the configuration file, or write a station.toml as the README shows", err)
	}
	cfg, err := station.ReadConfig(f)
	f.Close()
	if err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	if *listen != "" {
		cfg.Listen = *listen
	}
	return serve(ctx, e, cfg)
}

func serve(ctx context.Context, e env, cfg station.Config) error {
	log := newLog(e)
	ln, err := net.Listen("tcp", cfg.Listen)
	if err != nil {
		return fmt.Errorf("the page cannot be served on %s: %w; end what listens there, or give another --listen", cfg.Listen, err)
	}
	defer ln.Close()
	jobs, err := openJobs(cfg.Data)
	if err != nil {
		return err
	}
	defer jobs.Close()
	d := daemon{jobs: jobs}
	for _, sc := range cfg.Stations {
		src, err := openSource(ctx, sc.Source, acq.Options{Log: log.With("station", sc.Name), Wait: true})
		if err != nil {
			d.close()
			return fmt.Errorf("station %q: %w", sc.Name, err)
		}
		d.add(sc, src, nil, log)
		if strings.HasPrefix(sc.Source, "file:") {
			d.pages[len(d.pages)-1].Recording = func() (acq.Source, error) { return acq.Open(sc.Source, acq.Options{}) }
		}
	}
	page, err := d.page(ln, cfg.Hosts, log)
	if err != nil {
		d.close()
		return err
	}
	fmt.Fprintf(e.stdout, "counterpoise: the page is at http://%s%s\n", ln.Addr(), cmp.Or(page.LoginPath(), "/"))
	return d.run(ctx, ln, page)
}

// daemon is what serve and demo run: stations and the page that shows them.
type daemon struct {
	stations []*station.Station
	sources  []acq.Source
	pages    []*web.Station
	jobs     *store.Store // closed by who opened it, after run
}

// openJobs opens the job database in the data folder.
func openJobs(data string) (*store.Store, error) { return store.Open(filepath.Join(data, "jobs.db")) }

func (d *daemon) add(sc station.StationConfig, src acq.Source, fan web.Fan, log *slog.Logger) *station.Station {
	st := station.New(sc, src, log)
	d.stations = append(d.stations, st)
	d.sources = append(d.sources, src)
	d.pages = append(d.pages, &web.Station{Source: st, Config: sc, Fan: fan})
	return st
}

// close gives back the sources of a daemon that never ran.
func (d *daemon) close() {
	for _, s := range d.sources {
		s.Close()
	}
}

// page makes the server of the page.
func (d *daemon) page(ln net.Listener, hosts []string, log *slog.Logger) (*web.Server, error) {
	return web.New(web.Config{Stations: d.pages, Jobs: d.jobs, Version: release, Log: log, Hosts: hosts,
		Token: os.Getenv("COUNTERPOISE_TOKEN"), Listen: ln.Addr().String()})
}

// run runs everything until ctx ends or a part fails; then all parts end. A
// recording that came to its end leaves its page up, to be looked at.
func (d *daemon) run(ctx context.Context, ln net.Listener, page *web.Server) error {
	station.Introduce(d.stations)
	g, ctx := errgroup.WithContext(ctx)
	for _, st := range d.stations {
		g.Go(func() error { return st.Run(ctx) })
	}
	g.Go(func() error { return page.Serve(ctx, ln) })
	return g.Wait()
}

// listenNear opens the first free port from addr's upwards, so that a second
// demo does not fail on the first one's port.
func listenNear(addr string) (net.Listener, error) {
	host, portText, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("%q is no address: write host:port", addr)
	}
	port, err := strconv.Atoi(portText)
	if err != nil || port < 0 || port > 65535 {
		return nil, fmt.Errorf("%q is no port: 0 to 65535", portText)
	}
	var first error
	for p := port; p <= min(port+20, 65535); p++ {
		ln, err := net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(p)))
		if err == nil {
			return ln, nil
		}
		if first == nil {
			first = err
		}
	}
	return nil, errors.Join(fmt.Errorf("no free port from %s to %d", addr, port+20), first)
}
