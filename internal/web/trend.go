package web

import (
	"context"
	"math"
	"net/http"
	"strconv"
	"sync"
	"time"

	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

const (
	trendEvery = time.Second
	trendLen   = 600 // ten minutes
)

// trend remembers one snapshot a second over the last minutes, so that a page
// opened now still shows how the machine came here. Snapshots are immutable;
// they are turned into numbers for people only when somebody asks.
type trend struct {
	mu   sync.Mutex
	ring []*station.Snapshot // ring[n % trendLen] is point number n
	next uint64
	way  way // since the job in hand began
}

func (t *trend) init() { t.ring = make([]*station.Snapshot, trendLen) }

// follow takes points until ctx ends.
func (t *trend) follow(ctx context.Context, src Source) {
	var last uint64
	for {
		snap, err := src.Wait(ctx, last)
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			last = snap.Serial
			t.add(snap)
		}
		if !pause(ctx, trendEvery) {
			return
		}
	}
}

func (t *trend) add(snap *station.Snapshot) {
	slim := *snap // spectra and waveforms of ten minutes would fill a small computer
	slim.Spectra, slim.Waveform = nil, nil
	snap = &slim
	t.way.add(snap)
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ring[t.next%trendLen] = snap
	t.next++
}

// since copies the points numbered from n on, and the number of the next one.
func (t *trend) since(n uint64) (points []*station.Snapshot, next uint64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.next > trendLen && n < t.next-trendLen {
		n = t.next - trendLen
	}
	for ; n < t.next; n++ {
		points = append(points, t.ring[n%trendLen])
	}
	return points, t.next
}

// Trend is the history of a station in one view; all lists have one entry a
// point, null where nothing was known.
type Trend struct {
	Schema   int            `json:"schema"`
	Next     uint64         `json:"next"` // ask with ?from=next for what comes after
	Unix     []float64      `json:"unix"` // s, host time
	RPM      []*float64     `json:"rpm"`
	Unit     string         `json:"unit"`
	Level    string         `json:"level_unit"`
	Channels []ChannelTrend `json:"channels"`
}

// ChannelTrend is one sensor's history. X and Y are as in Vector.
type ChannelTrend struct {
	Name      string     `json:"name"`
	Amplitude []*float64 `json:"amplitude"`
	Phase     []*float64 `json:"phase"`
	Overall   []*float64 `json:"overall"`
	X         []*float64 `json:"x"`
	Y         []*float64 `json:"y"`
}

func (s *Server) trend(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	from, _ := strconv.ParseUint(r.URL.Query().Get("from"), 10, 64)
	points, next := st.trend.since(from)
	writeJSON(w, http.StatusOK, trendOf(st, points, next, v))
}

func trendOf(st *Station, points []*station.Snapshot, next uint64, v View) Trend {
	t := Trend{Schema: 1, Next: next, Unix: []float64{}, RPM: []*float64{}, Channels: []ChannelTrend{},
		Unit: v.Scale.Label(), Level: v.Scale.level().Label()}
	index := map[string]int{}
	for n, p := range points {
		t.Unix = append(t.Unix, float64(p.At.UnixMilli())/1e3)
		var rpm *float64
		if p.Motion == station.Turning {
			rpm = orNil(round(rotor.RPM(p.Speed), 6))
		}
		t.RPM = append(t.RPM, rpm)
		for _, c := range channelsOf(st, p, v) {
			i, ok := index[c.Name]
			if !ok {
				i = len(t.Channels)
				index[c.Name] = i
				t.Channels = append(t.Channels, ChannelTrend{Name: c.Name})
			}
			t.Channels[i].add(n, c)
		}
		for i := range t.Channels { // a channel that this point does not have
			t.Channels[i].pad(n + 1)
		}
	}
	return t
}

func (c *ChannelTrend) add(n int, s ChannelState) {
	c.pad(n)
	c.Amplitude = append(c.Amplitude, short(s.Amplitude.Value))
	c.Phase = append(c.Phase, short(s.Phase.Value))
	c.Overall = append(c.Overall, short(s.Overall.Value))
	var x, y *float64
	if s.Vector != nil {
		x, y = short(&s.Vector.X), short(&s.Vector.Y)
	}
	c.X, c.Y = append(c.X, x), append(c.Y, y)
}

func (c *ChannelTrend) pad(n int) {
	for _, list := range []*[]*float64{&c.Amplitude, &c.Phase, &c.Overall, &c.X, &c.Y} {
		for len(*list) < n {
			*list = append(*list, nil)
		}
	}
}

// short keeps five digits, more than a drawing can show.
func short(v *float64) *float64 {
	if v == nil {
		return nil
	}
	return orNil(round(*v, 5))
}

func round(v float64, digits int) float64 {
	if v == 0 || !finite(v) {
		return v
	}
	p := math.Pow(10, float64(digits-1)-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*p) / p
}
