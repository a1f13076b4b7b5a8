package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"counterpoise/internal/acq"
	"counterpoise/internal/job"
	"counterpoise/internal/station"
)

// Source is what this package needs of a running station.
type Source interface {
	Name() string
	// Latest is the newest snapshot, nil before the first.
	Latest() *station.Snapshot
	// Wait returns the newest snapshot as soon as its serial exceeds after.
	Wait(ctx context.Context, after uint64) (*station.Snapshot, error)
}

// Station is one measured machine as the page shows it.
type Station struct {
	Source
	Config station.StationConfig // zero where nothing is configured
	Fan    Fan                   // the virtual fan behind it; nil for a real machine
	Setup  job.Setup             // of its jobs; without sensors it follows from Config
	// Recording opens the recording that is the station's source once more; nil
	// for a live source.
	Recording func() (acq.Source, error)

	trend    trend
	cache    cache
	followed followed
}

func (st *Station) channel(name string) (station.ChannelConfig, bool) {
	for _, c := range st.Config.Channels {
		if c.Name == name {
			return c, true
		}
	}
	return station.ChannelConfig{}, false
}

// Config says what to serve. Only Stations is required.
type Config struct {
	Stations []*Station
	Jobs     Jobs // where jobs are kept; nil keeps none. The caller closes it after Run
	Version  string
	Log      *slog.Logger // nil is silent
	Hosts    []string     // further names under which the server may be asked for
	// Token is demanded of everybody when it is not empty. New refuses a Listen
	// address beyond loopback without one.
	Token  string
	Listen string           // the address that will be served, host:port
	Ask    station.Ask      // what a reading must reach; zero: 64 turns
	Now    func() time.Time // nil is time.Now; only for ages and logins
}

// defaultAsk is what the page holds a rolling reading against unless told
// otherwise.
var defaultAsk = station.Ask{MinTurns: 64}

// Server answers all requests. It starts nothing by itself: call Run.
type Server struct {
	stations []*Station
	byName   map[string]*Station
	version  string
	log      *slog.Logger
	hosts    []string
	token    string
	ask      station.Ask
	now      func() time.Time

	desk     *desk
	patience time.Duration // with a client that takes nothing
	doorman  doorman
	seats    seats
	meters   *meters
	handler  http.Handler
}

// New builds a server.
func New(c Config) (*Server, error) {
	s := &Server{stations: c.Stations, byName: map[string]*Station{}, version: c.Version, log: c.Log,
		token: c.Token, ask: c.Ask, now: c.Now, doorman: doorman{codes: map[string]time.Time{}}, seats: seats{free: maxStreams}, patience: streamPatience}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.now == nil {
		s.now = time.Now
	}
	s.desk = newDesk(c.Jobs, s.now)
	s.desk.known = s.byName
	if s.ask.MinTurns == 0 {
		s.ask = defaultAsk
	}
	if c.Token == "" && !loopback(c.Listen) {
		return nil, fmt.Errorf("listening on %s lets every device on the network in: set a token, or listen on 127.0.0.1", c.Listen)
	}
	for _, h := range c.Hosts {
		s.hosts = append(s.hosts, strings.ToLower(h))
	}
	if len(c.Stations) == 0 {
		return nil, errors.New("there is no station to show: name at least one")
	}
	for _, st := range c.Stations {
		if s.byName[st.Name()] != nil {
			return nil, fmt.Errorf("two stations are called %q: give each a name of its own", st.Name())
		}
		s.byName[st.Name()] = st
		st.trend.init()
	}
	reg := prometheus.NewRegistry()
	s.meters = newMeters(reg, s)
	s.handler = s.guard(s.routes(reg))
	return s, nil
}

// loopback reports whether an address reaches this machine only. An empty
// address is that of a test, which listens nowhere.
func loopback(listen string) bool {
	if listen == "" {
		return true
	}
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.handler.ServeHTTP(w, r) }

// Run takes up the open jobs where they were left and keeps the trends of all
// stations until ctx ends; then it lets go of the jobs.
func (s *Server) Run(ctx context.Context) error {
	s.resume(ctx)
	return s.follow(ctx)
}

func (s *Server) resume(ctx context.Context) {
	if err := s.desk.resume(ctx, s.stations); err != nil {
		s.log.Error("a job could not be taken up again", "error", err)
	}
}

// follow keeps the trends until ctx ends, then lets go of the jobs.
func (s *Server) follow(ctx context.Context) error {
	var wg sync.WaitGroup
	for _, st := range s.stations {
		wg.Go(func() { st.trend.follow(ctx, st) })
	}
	wg.Wait()
	return s.desk.close()
}

// Serve answers requests on a listener that is already open, and keeps the
// trends, until ctx ends; then it lets go of everything within a second.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	hs := &http.Server{
		Handler:           s,
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	s.resume(ctx) // before the first answer, which would show a job as it was before the program ended
	var wg sync.WaitGroup
	wg.Go(func() { s.follow(ctx) })
	wg.Go(func() {
		<-ctx.Done() // streams end with their base context
		end, done := context.WithTimeout(context.Background(), time.Second)
		defer done()
		if hs.Shutdown(end) != nil {
			hs.Close()
		}
	})
	err := hs.Serve(limit(ln, maxConnections))
	cancel()
	wg.Wait()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("serve the page: %w", err)
}
