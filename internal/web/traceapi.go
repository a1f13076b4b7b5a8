package web

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"counterpoise/internal/phase/sweep"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station/trace"
)

// TraceState is how far the following has come.
type TraceState struct {
	Schema   int     `json:"schema"`
	Is       string  `json:"is"`             // following, working, done or failed; empty = nothing yet
	Kind     string  `json:"kind,omitempty"` // speed or track
	From     string  `json:"from,omitempty"` // live or recording
	Serial   int     `json:"serial"`         // grows when there is something new to show
	Text     string  `json:"text"`           // what to do now
	Trouble  string  `json:"trouble,omitempty"`
	Seconds  float64 `json:"seconds"`
	Turns    int     `json:"turns"`
	Speed    Amount  `json:"speed"` // rpm
	HighRPM  float64 `json:"high_rpm"`
	LowRPM   float64 `json:"low_rpm"`
	Steady   float64 `json:"steady_s"`
	Fraction float64 `json:"fraction"`
	CanStop  bool    `json:"can_stop"` // a virtual fan that is followed is on
}

// traceState is what a station follows.
func (st *Station) traceState() TraceState {
	out := st.followed.state()
	out.CanStop = out.Is == traceFollowing && out.Kind == string(trace.Speed) && out.From == "live" && st.Fan != nil && st.Fan.State().SupplyOn
	return out
}

func (f *followed) state() TraceState {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := TraceState{Schema: 1, Is: f.is, From: f.from, Serial: f.serial, Trouble: f.bad, Speed: unknown("rpm")}
	if f.trace == nil {
		out.Text = say("trace.idle")
		return out
	}
	p := f.trace.Progress()
	out.Kind, out.Seconds, out.Turns, out.Steady = string(f.trace.Kind()), round(p.Seconds, 4), p.Turns, round(p.Steady, 4)
	out.HighRPM, out.LowRPM = round(rotor.RPM(p.High), 5), round(rotor.RPM(finiteOr(p.Low, 0)), 5)
	if p.Speed > 0 {
		out.Speed = plain(rotor.RPM(p.Speed), 4, "rpm")
	}
	switch f.is {
	case traceWorking:
		out.Text, out.Fraction = say("trace.working"), 1
	case traceDone:
		out.Text, out.Fraction = say("trace.done"), 1
	case traceFailed:
		out.Text = say("trace.failed")
	default:
		out.Text, out.Fraction = progressOf(f.trace.Kind(), p, f.self, f.from)
	}
	return out
}

// progressOf says what happens, and what a person should do now.
func progressOf(kind trace.Kind, p trace.Progress, self bool, from string) (text string, fraction float64) {
	coasting := p.Turns > 0 && p.High > 0 && p.Speed < 0.9*p.High
	switch {
	case from == "recording":
		return fmt.Sprintf(say("trace.reading"), p.Seconds), 0
	case kind == trace.Track:
		if p.Want > 0 {
			fraction = math.Min(1, float64(p.Turns)/float64(p.Want))
		}
		return fmt.Sprintf(say("trace.track.turns"), min(p.Turns, p.Want), p.Want), fraction
	case p.Turns == 0:
		return say("trace.waiting"), 0
	case coasting:
		return fmt.Sprintf(say("trace.changing"), rotor.RPM(p.Speed)), 1 - p.Speed/p.High
	case p.Steady < trace.SteadySeconds:
		return fmt.Sprintf(say("trace.steady"), p.Steady, trace.SteadySeconds), p.Steady / trace.SteadySeconds
	case self:
		return say("trace.self"), 1
	}
	return say("trace.switch"), 1
}

func (s *Server) traceState(w http.ResponseWriter, _ *http.Request, st *Station) {
	writeJSON(w, http.StatusOK, st.traceState())
}

func (s *Server) traceAct(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	var a traceAsk
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	if err := d.Decode(&a); err != nil {
		code, text := tooMuch(err)
		s.fail(w, r, code, text)
		return
	}
	if err := s.traceDo(r.Context(), st, a, v); err != nil {
		s.refuseAct(w, err)
		return
	}
	s.log.Info("trace", "station", st.Name(), "do", a.Do, "recording", a.Recording)
	writeJSON(w, http.StatusOK, st.traceState())
}

// traceView is a View as the answers of a trace take it.
func traceView(r *http.Request, v View) (trace.View, error) {
	out := trace.View{Convention: v.Convention, Unit: v.Scale.Unit, Detector: v.Scale.Detector}
	if text := r.URL.Query().Get("at_rpm"); text != "" {
		rpm, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil || !(rpm > 0) || !finite(rpm) {
			return out, fieldError{"at", say("trace.at.wrong")}
		}
		out.At = rotor.RadPerSecond(rpm)
	}
	return out, nil
}

// results are the newest results; both nil before there is one.
func (f *followed) results() (*trace.SpeedResult, *trace.TrackResult) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.speed, f.track
}

func (s *Server) traceAnswer(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	tv, err := traceView(r, v)
	if err != nil {
		s.refuseAct(w, err)
		return
	}
	switch speed, track := st.followed.results(); {
	case speed != nil:
		writeJSON(w, http.StatusOK, speed.Answer(tv))
	case track != nil:
		writeJSON(w, http.StatusOK, track.Answer(tv))
	default:
		s.fail(w, r, http.StatusConflict, say("trace.noanswer"))
	}
}

// tracePicture is a picture of the newest result, or of what has come so far.
func (s *Server) tracePicture(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	channel, err := strconv.Atoi(r.URL.Query().Get("channel"))
	if r.URL.Query().Get("channel") != "" && err != nil {
		s.fail(w, r, http.StatusBadRequest, say("trace.channel.wrong"))
		return
	}
	svg, err := st.followed.picture(v, channel, r.URL.Query().Get("part"))
	if err != nil {
		s.fail(w, r, http.StatusConflict, err.Error())
		return
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Write([]byte(svg))
}

// picture draws part (bode, polar; empty = both) of the newest result, or of
// what has come so far; a track is always drawn whole.
func (f *followed) picture(v View, channel int, part string) (string, error) {
	f.mu.Lock()
	speed, track, t := f.speed, f.track, f.trace
	f.mu.Unlock()
	if track != nil {
		return track.Running.Picture(track.Moved), nil
	}
	if t == nil || t.Kind() != trace.Speed {
		return "", fmt.Errorf("%s", say("trace.noanswer"))
	}
	d := sweep.Drawing{Sweep: t.Sweep(), Convention: v.Convention, Unit: v.Scale.Unit, Detector: v.Scale.Detector}
	n := len(d.Sweep.Channels)
	if speed != nil && speed.Fit != nil {
		d.Sweep, d.Fit, n = speed.Points, speed.Fit, len(speed.Fit.Channels)
	}
	if channel < 0 || channel >= n {
		return "", fmt.Errorf("%s", say("trace.channel.wrong"))
	}
	d.Channel = channel
	switch part {
	case "bode":
		return d.Bode(), nil
	case "polar":
		return d.Polar(), nil
	case "":
		return d.Whole(), nil
	}
	return "", fmt.Errorf(say("trace.part.wrong"), part)
}
