package web

import (
	"math/cmplx"
	"net/http"
	"slices"
	"sync"

	"counterpoise/internal/station"
)

// way remembers how the 1x vectors moved since a job began, in at most wayLen
// points: when they are full, every second one is forgotten and from then on
// half as many are taken. The readings of the job, which survive the program's
// end, are drawn upon it.
type way struct {
	mu     sync.Mutex
	points []*station.Snapshot
	every  int // one of so many points is taken
	seen   int
}

const wayLen = 400

// begin forgets what was before.
func (w *way) begin() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.points, w.every, w.seen = nil, 1, 0
}

func (w *way) add(snap *station.Snapshot) {
	if snap.Reading == nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.every = max(w.every, 1)
	w.seen++
	if w.seen%w.every != 0 {
		return
	}
	w.points = append(w.points, snap)
	if len(w.points) == wayLen {
		half := make([]*station.Snapshot, 0, wayLen)
		for i := 1; i < wayLen; i += 2 {
			half = append(half, w.points[i])
		}
		w.points, w.every = half, w.every*2
	}
}

func (w *way) all() []*station.Snapshot {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.points)
}

// Way is how the vectors moved since the job in hand began. X and Y are as in
// Vector.
type Way struct {
	Schema   int          `json:"schema"`
	Job      string       `json:"job"` // its name
	URL      string       `json:"url"`
	Unit     string       `json:"unit"`
	Channels []ChannelWay `json:"channels"`
}

// ChannelWay is one sensor's way.
type ChannelWay struct {
	Name  string       `json:"name"`
	Path  [][2]float64 `json:"path"`
	Stops []WayStop    `json:"stops"` // the readings
}

// WayStop is one reading of the job; its number is that of the job's polar picture.
type WayStop struct {
	Number int     `json:"n"`
	Name   string  `json:"name"`
	X      float64 `json:"x"`
	Y      float64 `json:"y"`
}

func (s *Server) way(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	b := s.desk.current(st)
	if b == nil {
		w.WriteHeader(http.StatusNoContent) // no job is in hand
		return
	}
	writeJSON(w, http.StatusOK, wayOf(b, st.trend.way.all(), v))
}

func wayOf(b *bench, points []*station.Snapshot, v View) Way {
	out := Way{Schema: 1, Job: b.name, URL: jobPath(b.st, b.id), Unit: v.Scale.Label(), Channels: []ChannelWay{}}
	find := func(name string) *ChannelWay {
		for i := range out.Channels {
			if out.Channels[i].Name == name {
				return &out.Channels[i]
			}
		}
		out.Channels = append(out.Channels, ChannelWay{Name: name, Path: [][2]float64{}, Stops: []WayStop{}})
		return &out.Channels[len(out.Channels)-1]
	}
	for _, p := range points {
		for _, c := range channelsOf(b.st, p, v) {
			if c.Vector != nil {
				ch := find(c.Name)
				ch.Path = append(ch.Path, [2]float64{round(c.Vector.X, 4), round(c.Vector.Y, 4)})
			}
		}
	}
	for n, run := range b.job.State().Runs {
		for i, ch := range run.Reading.Channels {
			if c, _, ok := v.component(run.Reading, i, 1); ok && !cmplx.IsNaN(c.Value) {
				w := find(ch.Name)
				w.Stops = append(w.Stops, WayStop{n + 1, run.Name, round(real(c.Value), 4), round(imag(c.Value), 4)})
			}
		}
	}
	return out
}

// current is the newest job of a station that is in hand and not closed; nil
// where there is none.
func (d *desk) current(st *Station) *bench {
	d.mu.Lock()
	defer d.mu.Unlock()
	var newest *bench
	for _, b := range d.open {
		s := b.job.State()
		if b.st == st && b.foreign == "" && !s.Closed && s.Setup != nil && (newest == nil || s.At.After(newest.job.State().At)) {
			newest = b
		}
	}
	return newest
}

// askOf is what a reading must reach on a station: as the job in hand needs it.
func (s *Server) askOf(st *Station) station.Ask {
	ask := s.ask
	if b := s.desk.current(st); b != nil {
		ask.StandardError = needed(b.job.State())
	}
	return ask
}
