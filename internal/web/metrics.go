package web

import (
	"math"
	"strconv"

	"github.com/prometheus/client_golang/prometheus"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// meters are the server's own counters, kept apart from what is read from the
// stations at the moment of the scrape.
type meters struct {
	refused *prometheus.CounterVec // by reason
	skipped prometheus.Counter
}

// refusals is the fixed list of reasons why a request is turned away.
var refusals = []string{"host", "origin", "token", "large", "seats"}

func newMeters(reg *prometheus.Registry, s *Server) *meters {
	m := &meters{
		refused: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "counterpoise_http_refused_total",
			Help: "Requests turned away, by reason."}, []string{"reason"}),
		skipped: prometheus.NewCounter(prometheus.CounterOpts{Name: "counterpoise_stream_skipped_total",
			Help: "States that a live page did not get because it was too slow to take them."}),
	}
	for _, r := range refusals {
		m.refused.WithLabelValues(r)
	}
	reg.MustRegister(m.refused, m.skipped, collector{s})
	return m
}

// metric is one line of what a station shows: its description and how to read
// it from a snapshot.
type metric struct {
	name, help string
	kind       prometheus.ValueType
	labels     []string // besides station
	read       func(p *put, snap *station.Snapshot)
}

func counter(name, help string, read func(*station.Snapshot) float64) metric {
	return metric{name, help, prometheus.CounterValue, nil, func(p *put, s *station.Snapshot) { p.value(read(s)) }}
}

func gauge(name, help string, read func(*station.Snapshot) float64) metric {
	return metric{name, help, prometheus.GaugeValue, nil, func(p *put, s *station.Snapshot) { p.value(read(s)) }}
}

// metrics is the whole list. Values are in base units; speeds are in Hz, that
// is revolutions per second. METRICS.md documents it and a test compares both.
var metrics = []metric{
	gauge("counterpoise_link_up", "1 while the source delivers, else 0.", func(s *station.Snapshot) float64 { return truth(s.Link.Up) }),
	counter("counterpoise_received_bytes_total", "Bytes received from the source.", func(s *station.Snapshot) float64 { return float64(s.Counts.Bytes) }),
	counter("counterpoise_skipped_bytes_total", "Bytes that belonged to no good frame.", func(s *station.Snapshot) float64 { return float64(s.Counts.SkippedBytes) }),
	counter("counterpoise_frames_total", "Frames accepted.", func(s *station.Snapshot) float64 { return float64(s.Counts.Frames) }),
	{"counterpoise_frames_refused_total", "Frames refused, by reason.", prometheus.CounterValue, []string{"reason"},
		func(p *put, s *station.Snapshot) { p.each(acq.RefuseReasons(), s.Counts.Refused) }},
	counter("counterpoise_samples_total", "Samples received on each channel.", func(s *station.Snapshot) float64 { return float64(s.Counts.Samples) }),
	counter("counterpoise_samples_lost_total", "Samples known to be lost on each channel.", func(s *station.Snapshot) float64 { return float64(s.Counts.LostSamples) }),
	{"counterpoise_gaps_total", "Gaps in the samples, by reason.", prometheus.CounterValue, []string{"reason"},
		func(p *put, s *station.Snapshot) { p.each(acq.LossReasons(), s.Counts.Gaps) }},
	counter("counterpoise_blocks_dropped_total", "Blocks dropped because the station lagged behind the source.", func(s *station.Snapshot) float64 { return float64(s.Counts.DroppedBlocks) }),
	counter("counterpoise_edges_total", "Tach edges received.", func(s *station.Snapshot) float64 { return float64(s.Counts.Edges) }),
	counter("counterpoise_edges_lost_total", "Tach edges known to be lost.", func(s *station.Snapshot) float64 { return float64(s.Counts.LostEdges) }),
	counter("counterpoise_reconnects_total", "Times the source was opened again.", func(s *station.Snapshot) float64 { return float64(s.Counts.Reconnects) }),
	{"counterpoise_clock_error_ratio", "Board clock against this computer's, relative; absent until known.", prometheus.GaugeValue, nil,
		func(p *put, s *station.Snapshot) {
			if s.Counts.ClockPPMError > 0 {
				p.value(s.Counts.ClockPPM * 1e-6)
			}
		}},
	counter("counterpoise_turns_total", "Whole turns accepted.", func(s *station.Snapshot) float64 { return float64(s.Turns) }),
	{"counterpoise_turns_dropped_total", "Turns dropped, by reason.", prometheus.CounterValue, []string{"reason"},
		func(p *put, s *station.Snapshot) {
			for d := phase.Drop(0); d < phase.NumDrops; d++ {
				p.value(float64(s.Dropped[d]), d.String())
			}
		}},
	{"counterpoise_rotor_turning", "1 while the tach shows the rotor turning; 0 is no proof of standstill.", prometheus.GaugeValue, nil,
		func(p *put, s *station.Snapshot) { p.value(truth(s.Motion == station.Turning)) }},
	{"counterpoise_rotor_speed_hertz", "Speed of the rotor in revolutions per second; absent where unknown.", prometheus.GaugeValue, nil,
		func(p *put, s *station.Snapshot) {
			if s.Motion == station.Turning {
				p.value(s.Speed / (2 * math.Pi))
			}
		}},
	{"counterpoise_turn_latency_seconds", "From the arrival of a turn's last edge to its value published, all turns so far.", histogramValue, nil,
		func(p *put, s *station.Snapshot) { p.histogram(&s.Latency) }},
	{"counterpoise_reading_turns", "Turns in the rolling reading.", prometheus.GaugeValue, nil,
		func(p *put, s *station.Snapshot) {
			if s.Reading != nil {
				p.value(float64(s.Reading.Turns))
			} else {
				p.value(0)
			}
		}},
	gauge("counterpoise_reading_trusted", "1 while the rolling reading may be used for balancing.", func(s *station.Snapshot) float64 {
		return truth(s.Reading != nil && s.Link.Up && s.Reading.Trusted())
	}),
	phasor("counterpoise_order_velocity_real_meters_per_second", "Peak phasor, component in phase with the mark.", func(c phase.Component) float64 { return real(c.Value) }),
	phasor("counterpoise_order_velocity_imag_meters_per_second", "Peak phasor, component 90 degrees ahead, in the direction of rotation.", func(c phase.Component) float64 { return imag(c.Value) }),
	phasor("counterpoise_order_velocity_amplitude_meters_per_second", "Peak amplitude.", func(c phase.Component) float64 { return math.Hypot(real(c.Value), imag(c.Value)) }),
	phasor("counterpoise_order_velocity_phase_radians", "Phase, a lead, counted with rotation from the mark.", func(c phase.Component) float64 { return math.Atan2(imag(c.Value), real(c.Value)) }),
	phasor("counterpoise_order_velocity_standard_error_meters_per_second", "Standard error of one axis of the peak phasor.", func(c phase.Component) float64 { return math.Sqrt(c.Cov.PerAxis()) }),
}

// phasor makes a metric with one value for each channel and order that can be
// had as a velocity.
func phasor(name, help string, read func(phase.Component) float64) metric {
	return metric{name, help, prometheus.GaugeValue, []string{"channel", "order"}, func(p *put, s *station.Snapshot) {
		if s.Reading == nil || !s.Link.Up {
			return
		}
		for i, ch := range s.Reading.Channels {
			for _, o := range ch.Orders {
				if c, ok := s.Reading.In(i, o.Order, rotor.Velocity); ok {
					p.value(read(c), ch.Name, strconv.Itoa(o.Order))
				}
			}
		}
	}}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// put hands values of one metric and station to the registry.
type put struct {
	ch      chan<- prometheus.Metric
	desc    *prometheus.Desc
	kind    prometheus.ValueType
	station string
}

func (p *put) value(v float64, labels ...string) {
	if finite(v) {
		p.ch <- prometheus.MustNewConstMetric(p.desc, p.kind, v, append([]string{p.station}, labels...)...)
	}
}

// histogramValue marks a metric that shows itself by put.histogram.
const histogramValue = prometheus.UntypedValue

func (p *put) histogram(l *station.Latencies) {
	p.ch <- prometheus.MustNewConstHistogram(p.desc, l.Turns, l.Sum, l.Within(), p.station)
}

// each shows a count for every reason there can be, so that a rate is right
// from the first event on.
func (p *put) each(reasons []string, counts map[string]uint64) {
	for _, reason := range reasons {
		p.value(float64(counts[reason]), reason)
	}
}

// collector reads all stations at the moment of a scrape.
type collector struct{ s *Server }

var (
	ageName, ageHelp   = "counterpoise_last_block_age_seconds", "Time since the newest snapshot that carried new samples."
	seatName, seatHelp = "counterpoise_stream_clients", "Live pages that are open now."
	infoName, infoHelp = "counterpoise_build_info", "Always 1; the version is its label."
)

func (m metric) desc() *prometheus.Desc {
	return prometheus.NewDesc(m.name, m.help, append([]string{"station"}, m.labels...), nil)
}

func (c collector) Describe(ch chan<- *prometheus.Desc) {
	for _, m := range metrics {
		ch <- m.desc()
	}
}

func (c collector) Collect(ch chan<- prometheus.Metric) {
	for _, m := range metrics {
		d := m.desc()
		for _, st := range c.s.stations {
			snap := st.Latest()
			if snap == nil {
				snap = &station.Snapshot{Link: acq.Link{State: acq.Connecting}}
			}
			m.read(&put{ch, d, m.kind, st.Name()}, snap)
		}
	}
	own := func(name, help string, v float64, labels []string, values ...string) {
		ch <- prometheus.MustNewConstMetric(prometheus.NewDesc(name, help, labels, nil), prometheus.GaugeValue, v, values...)
	}
	own(seatName, seatHelp, float64(c.s.seats.taken()), nil)
	own(infoName, infoHelp, 1, []string{"version"}, c.s.version)
	for _, st := range c.s.stations {
		if snap := st.Latest(); snap != nil && !snap.At.IsZero() {
			own(ageName, ageHelp, c.s.now().Sub(snap.At).Seconds(), []string{"station"}, st.Name())
		}
	}
}
