package web

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"counterpoise/internal/blades"
	"counterpoise/internal/phase"
	"counterpoise/internal/phase/sweep"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum/poweroff"
	"counterpoise/internal/station/trace"
)

type tracePageView struct {
	frame
	typed
	Station   string
	Home, URL string
	API       string
	State     TraceState
	Busy      bool
	Virtual   bool
	Recording bool
	Cautions  []traceCaution

	Sensors []string // that a distance sensor may be
	Guess   traceGuess
	Jobs    []jobChoice

	Growing template.HTML // the picture of what has come so far
	Channel int
	Speed   *speedView
	Track   *trackView
}

type traceCaution struct{ Code, Text string }

// jobChoice is a job whose survey at standstill may stand beside the track.
type jobChoice struct{ ID, Name string }

// traceGuess is what is known of the distance sensor before a person says it.
type traceGuess struct {
	Channel, Blades, SensorDeg, Blade1Deg, RadiusMM string
	Against                                         bool
}

// speedView is a speed result for people.
type speedView struct {
	Verdict    Sentence
	NoSweep    string
	At         string
	Swept      string
	Bode       template.HTML
	Polar      template.HTML
	Channels   []channelChoice
	Resonances []resonanceRow
	Slopes     []slopeRow
	Notes      []string

	NoPower    string
	Power      bool
	Off        string
	Supply     string
	Groups     []powerGroup
	Beats      []beatRow
	PowerNotes []string
}

type channelChoice struct {
	Name string
	URL  string
	Is   bool
}

type resonanceRow struct {
	Speed, Damping Amount
	Swept          bool
}

type slopeRow struct {
	Name            string
	Slope, Exponent Amount
	Worst           bool
}

// powerGroup are the components that met the same fate.
type powerGroup struct {
	Kind, Title, Means string
	Rows               []powerRow
}

type powerRow struct {
	Name, Hz, Amplitude, Channel, Evidence string
}

type beatRow struct {
	A, B, Period, Seen string
	Enough             bool
}

// half is the half-width of the 95 % interval of a figure with standard deviation sd.
func half(sd float64) float64 { return phase.TLimit(0.95, 0) * sd }

// speedViewOf writes a speed result for people. channel is the one drawn; below
// zero the one that decides.
func speedViewOf(r *trace.SpeedResult, v View, channel int, at float64, to func(int) string) (*speedView, int) {
	out := &speedView{}
	if r.FitRefused != nil {
		out.NoSweep = r.FitRefused.Error()
	} else {
		channel = out.sweep(r, v, channel, at, to)
	}
	if r.PowerRefused != nil {
		out.NoPower = r.PowerRefused.Error()
	} else {
		out.power(r.Power, v)
	}
	return out, channel
}

func (out *speedView) sweep(r *trace.SpeedResult, v View, channel int, at float64, to func(int) string) int {
	f := r.Fit
	if !(at > 0) {
		at = f.High
	}
	j := f.Judge(at)
	out.At = fixed(rotor.RPM(at), 0)
	out.Swept = fmt.Sprintf(say("trace.swept"), len(r.Points.Points), rotor.RPM(f.Low), rotor.RPM(f.High))
	level := map[string]string{sweep.Quiet: "good", sweep.Near: "care", sweep.On: "bad", sweep.Undecided: "none"}
	out.Verdict = Sentence{Level: level[j.Code], Word: say("trace." + j.Code), Lines: []string{j.Text}}
	if channel < 0 || channel >= len(f.Channels) {
		channel = j.Worst
	}
	d := sweep.Drawing{Sweep: r.Points, Fit: f, Channel: channel, Convention: v.Convention, Unit: v.Scale.Unit, Detector: v.Scale.Detector}
	out.Bode, out.Polar = template.HTML(d.Bode()), template.HTML(d.Polar()) // our own code; names are escaped there
	for i, c := range f.Channels {
		out.Channels = append(out.Channels, channelChoice{c.Name, to(i), i == channel})
	}
	for _, m := range f.Modes {
		out.Resonances = append(out.Resonances, resonanceRow{measured(rotor.RPM(m.Speed), rotor.RPM(half(m.SpeedSD)), "rpm"), measured(100*m.Damping, 100*half(m.DampingSD), "%"), m.Inside})
	}
	for i, p := range j.Places {
		slope, sd := p.DegPerPercent()
		if v.Convention == rotor.AgainstRotation {
			slope = -slope
		}
		unit := v.Scale.Unit.Quantity
		if p.Quantity == rotor.Raw {
			unit = rotor.Raw
		}
		out.Slopes = append(out.Slopes, slopeRow{p.Channel, measured(slope, half(sd), "°"), measured(real(p.Slope(unit).Rate), half(p.ExponentSD), ""), i == j.Worst})
	}
	out.Notes = f.Notes
	return channel
}

// powerKinds in the order in which they are shown.
var powerKinds = []struct {
	key   string
	kinds []string
}{
	{"electrical", []string{poweroff.Electrical}}, {"follows", []string{poweroff.Order, poweroff.BladePass, poweroff.Follows}},
	{"elsewhere", []string{poweroff.Elsewhere}}, {"undecided", []string{poweroff.Undecided}},
}

func (out *speedView) power(r *poweroff.Result, v View) {
	out.Power = true
	out.Off = fmt.Sprintf(say("trace.off"), r.Off, rotor.RPM(r.Speed))
	if r.SupplyHz > 0 {
		a := measured(r.SupplyHz, half(r.SupplySD), "Hz")
		out.Supply = fmt.Sprintf(say("trace.supply"), both(a)+" Hz", r.SupplyName)
	}
	for _, k := range powerKinds {
		g := powerGroup{Kind: k.key, Title: say("trace." + k.key), Means: say("trace." + k.key + ".means")}
		for _, c := range r.Components {
			if slices.Contains(k.kinds, c.Kind) {
				unit := rotor.DefaultUnit(c.Quantity)
				g.Rows = append(g.Rows, powerRow{c.Name, fixed(c.Hz, 2), fmt.Sprintf("%.2g %s", c.Amplitude*unit.PerSI, unitText(unit.Name)), c.Channel, c.Evidence})
			}
		}
		if len(g.Rows) > 0 || k.key == "electrical" {
			out.Groups = append(out.Groups, g)
		}
	}
	for _, b := range r.Beats {
		out.Beats = append(out.Beats, beatRow{b.A, b.B, fmt.Sprintf("%.2f s", b.Period), fmt.Sprintf("%.1f", b.Seen), b.Enough})
	}
	out.PowerNotes = r.Notes
}

// trackView is a track for people.
type trackView struct {
	Head      string
	Picture   template.HTML
	Rows      []trackRow
	Pitch     bool
	Beside    bool
	Share     string
	Notes     []string
	Judgement *judgementView
}

type trackRow struct {
	Blade                         int
	Seen, StandsOut               bool
	Height, Spacing, Pitch, Moved Amount
	Standing                      Amount
}

// judgementView is what the room of surveys says of the running wheel.
type judgementView struct {
	Track    string
	Moves    []string
	Verdicts []string
}

func trackViewOf(r *trace.TrackResult, v View) *trackView {
	const degrees = 180 / math.Pi
	run := r.Running
	out := &trackView{Picture: template.HTML(run.Picture(r.Moved)), Beside: r.Moved != nil,
		Head: fmt.Sprintf(say("trace.track.head"), len(run.Blades), rotor.RPM(run.Speed), run.Turns)}
	for i, b := range run.Blades {
		row := trackRow{Blade: b.Number, Seen: b.Seen, Height: unknown("mm"), Spacing: unknown("°"), Pitch: unknown("°"), Standing: unknown("mm"), Moved: unknown("mm")}
		if b.Seen {
			row.Height = measured(b.Height*1e3, run.Interval95(b.HeightSD)*1e3, "mm")
			row.Spacing = measured(b.Off*degrees, run.Interval95(b.AngleSD)*degrees, "°")
			if finite(b.Pitch) {
				row.Pitch, out.Pitch = measured(b.Pitch*degrees, run.Interval95(b.PitchSD)*degrees, "°"), true
			}
		}
		if r.Moved != nil {
			m := r.Moved.Blades[i]
			row.Standing, row.StandsOut = plain(m.Static*1e3, 3, "mm"), m.StandsOut
			row.Moved = measured(m.Moved*1e3, run.Interval95(m.MovedSD)*1e3, "mm")
		}
		out.Rows = append(out.Rows, row)
	}
	a := r.Answer(trace.View{Convention: v.Convention})
	out.Notes = a.Notes
	if r.Moved != nil && finite(r.Moved.Share) {
		out.Share = fmt.Sprintf(say("trace.share"), both(measured(100*r.Moved.Share, 100*half(r.Moved.ShareSD), "%"))+" %")
	}
	if j := a.Judgement; j != nil {
		out.Judgement = &judgementView{}
		if j.Track != nil {
			out.Judgement.Track = fmt.Sprintf(say("trace.spread"), j.Track.Spread, j.Track.Error)
		}
		for _, m := range j.Moves {
			if m.Track != nil {
				out.Judgement.Moves = append(out.Judgement.Moves, fmt.Sprintf(say("trace.move"), m.Blade, *m.Track))
			}
		}
		for _, x := range j.Verdicts {
			out.Judgement.Verdicts = append(out.Judgement.Verdicts, x.Text)
		}
	}
	return out
}

func tracePath(st *Station) string { return stationPath(st.Name()) + "/trace" }

// traceViewOf builds the page.
func (s *Server) traceViewOf(r *http.Request, st *Station, v View) tracePageView {
	p := tracePageView{frame: frame{themeOf(r), s.version}, typed: typed{Form: url.Values{}}, Station: st.Name(), Home: stationPath(st.Name()),
		URL: tracePath(st), API: "/api/v1" + tracePath(st), State: st.traceState(), Virtual: st.Fan != nil, Recording: st.Recording != nil}
	p.Busy = p.State.Is == traceFollowing || p.State.Is == traceWorking
	for _, c := range traceCautions {
		p.Cautions = append(p.Cautions, traceCaution{c, say("trace.caution." + c)})
	}
	p.Guess, p.Sensors = traceGuessOf(st, v)
	p.Jobs = s.surveyed(r, st)
	p.Channel = -1
	if n, err := strconv.Atoi(r.URL.Query().Get("channel")); err == nil {
		p.Channel = n
	}
	if p.Busy {
		if svg, err := st.followed.picture(v, max(0, p.Channel), "bode"); err == nil {
			p.Growing = template.HTML(svg)
		}
		return p
	}
	at := 0.0
	if tv, err := traceView(r, v); err == nil {
		at = tv.At
	} else {
		p.Form.Set("at_rpm", r.URL.Query().Get("at_rpm"))
		p.refuse(err)
	}
	speed, track := st.followed.results()
	if speed != nil {
		p.Speed, p.Channel = speedViewOf(speed, v, p.Channel, at, func(i int) string {
			q := url.Values{"channel": {strconv.Itoa(i)}}
			if at > 0 {
				q.Set("at_rpm", fixed(rotor.RPM(at), 0))
			}
			return p.URL + "?" + q.Encode() + "#pictures"
		})
	}
	if track != nil {
		p.Track = trackViewOf(track, v)
	}
	return p
}

// traceGuessOf is what is known of the distance sensor.
func traceGuessOf(st *Station, v View) (g traceGuess, names []string) {
	number := func(x float64) string { return strconv.FormatFloat(round(x, 5), 'f', -1, 64) }
	if n := st.Latest(); n != nil && n.Setup != nil {
		for _, c := range n.Setup.Channels {
			names = append(names, c.Name)
			if c.Quantity == rotor.Displacement {
				g.Channel = cmp.Or(g.Channel, c.Name)
			}
		}
	}
	m := st.Config.Machine
	if m.Blades > 0 {
		g.Blades = strconv.Itoa(m.Blades)
	}
	g.Blade1Deg = number(v.Convention.Degrees(m.Blade1))
	for _, c := range st.Config.Channels {
		if c.AimRadius > 0 {
			g.Channel, g.SensorDeg, g.RadiusMM = c.Name, number(v.Convention.Degrees(c.Aim)), number(c.AimRadius*1e3)
		}
	}
	if d, ok := st.Fan.(blader); ok {
		if x := d.Describe(); x.Distance != nil {
			g.SensorDeg, g.RadiusMM, g.Blades = number(v.Convention.Degrees(x.Distance.Angle)), number(x.Distance.Radius*1e3), strconv.Itoa(x.Blades)
		}
	}
	return g, names
}

// surveyed are the station's jobs that hold a survey at standstill, newest first.
func (s *Server) surveyed(r *http.Request, st *Station) (out []jobChoice) {
	list, err := s.desk.list(r.Context(), st.Name())
	if err != nil {
		return nil
	}
	for _, m := range list {
		if len(out) >= mostSurveyed {
			break
		}
		b, err := s.desk.get(r.Context(), st, m.ID)
		if err != nil {
			continue
		}
		if sh, _, err := b.begunSheet(r.Context()); err == nil && len(sh.Readings) > 0 {
			out = append(out, jobChoice{m.ID, m.Name})
		}
	}
	return out
}

// mostSurveyed jobs are offered.
const mostSurveyed = 12

func (s *Server) tracePage(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	p := s.traceViewOf(r, st, v)
	if p.Wrong == "" {
		s.render(w, http.StatusOK, "trace", p)
		return
	}
	p.loseNothing("trace", &p, p.Form)
	s.render(w, http.StatusUnprocessableEntity, "trace", p)
}

// traceForm does what a form of the page asks; it works without scripts.
func (s *Server) traceForm(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok || !s.form(w, r) {
		return
	}
	if r.MultipartForm != nil {
		defer r.MultipartForm.RemoveAll()
	}
	a, err := traceAskOf(&typed{Form: r.PostForm})
	if err == nil && r.PostForm.Get("from") == "file" {
		err = a.take(r)
	}
	if err == nil {
		err = s.traceDo(r.Context(), st, a, v)
	}
	if err != nil && a.given != nil {
		a.given.Close()
	}
	if err == nil {
		http.Redirect(w, r, tracePath(st), http.StatusSeeOther)
		return
	}
	p := s.traceViewOf(r, st, v)
	p.Form = r.PostForm
	p.refuse(err)
	p.loseNothing("trace", &p, p.Form)
	s.render(w, codeOf(err), "trace", p)
}

// traceAskOf reads the forms of the page.
func traceAskOf(t *typed) (a traceAsk, err error) {
	a = traceAsk{Do: t.Form.Get("do"), Recording: t.Form.Get("recording") == "yes", Confirmed: t.Form["confirmed"], Channel: t.Form.Get("channel"),
		Against: t.Form.Get("numbering") == "against-rotation", Upstream: t.Form.Get("grows") == "upstream", Job: t.Form.Get("job")}
	var n, turns float64
	for _, f := range []struct {
		name string
		to   *float64
	}{{"motor", &a.Motor}, {"belt", &a.Belt}, {"blades", &n}, {"turns", &turns}, {"radius", &a.RadiusMM}} {
		if *f.to, err = t.number(f.name); err != nil {
			return a, err
		}
	}
	if n != math.Trunc(n) || math.Abs(n) > math.MaxInt16 {
		return a, fieldError{"blades", fmt.Sprintf(say("survey.blades.wrong"), blades.MinBlades, blades.MaxBlades)}
	}
	if turns != math.Trunc(turns) || math.Abs(turns) > math.MaxInt16 {
		return a, fieldError{"turns", say("trace.turns.wrong")}
	}
	a.Blades, a.Turns = int(n), int(turns)
	for _, f := range []struct {
		name string
		to   **float64
	}{{"sensor", &a.SensorDeg}, {"blade1", &a.Blade1Deg}} {
		if t.Form.Get(f.name) == "" {
			continue
		}
		x, err := t.number(f.name)
		if err != nil {
			return a, err
		}
		*f.to = &x
	}
	return a, nil
}
