package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"counterpoise/internal/job"
	"counterpoise/internal/picture"
	"counterpoise/internal/rotor"
	"counterpoise/internal/store"
)

// byCookie keeps the name that a person gave, on his own device.
const byCookie = "counterpoise-by"

func byOf(r *http.Request) string {
	c, err := r.Cookie(byCookie)
	if err != nil {
		return ""
	}
	name, _ := url.QueryUnescape(c.Value)
	return name
}

func keepBy(w http.ResponseWriter, r *http.Request, name string) {
	http.SetCookie(w, &http.Cookie{Name: byCookie, Value: url.QueryEscape(name), Path: "/", HttpOnly: true,
		SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil, MaxAge: 30 * 24 * 3600})
}

// typed is a form as it was sent, with what is wrong beside its fields.
type typed struct {
	Form  url.Values
	Wrong string // what is wrong with the whole
	Field string // the field that is wrong; empty = none
	Left  string // what was typed into fields that the page does not have any more
}

// Val is what was typed into a field, else its default.
func (t typed) Val(name string, or any) string {
	if t.Form != nil && t.Form.Has(name) {
		return t.Form.Get(name)
	}
	return fmt.Sprint(or)
}

// Err is the message beside a field.
func (t typed) Err(name string) string {
	if name == t.Field {
		return t.Wrong
	}
	return ""
}

// Sent reports whether the form was sent to do this.
func (t typed) Sent(do string) bool { return t.Form.Get("do") == do }

// ValIn and ErrIn are Val and Err for a field whose name several forms of the page
// use: only the form that was sent keeps its text and its message.
func (t typed) ValIn(do, name string, or any) string {
	if !t.Sent(do) {
		return fmt.Sprint(or)
	}
	return t.Val(name, or)
}

// ErrIn: see ValIn.
func (t typed) ErrIn(do, name string) string {
	if !t.Sent(do) {
		return ""
	}
	return t.Err(name)
}

// Alone is the message that belongs to no single field of the page.
func (t typed) Alone() string {
	if t.Field == "" {
		return strings.TrimSpace(t.Wrong + " " + t.Left)
	}
	return t.Left
}

// Ticked reports whether a box was ticked.
func (t typed) Ticked(name, value string) bool {
	for _, v := range t.Form[name] {
		if v == value {
			return true
		}
	}
	return false
}

func (t *typed) refuse(err error) {
	t.Wrong = err.Error()
	if fe := (fieldError{}); errors.As(err, &fe) {
		t.Field = fe.Field
	}
}

// number reads a figure as people type it, with point or comma; empty is zero.
func (t *typed) number(name string) (float64, error) {
	text := strings.TrimSpace(t.Form.Get(name))
	if text == "" {
		return 0, nil
	}
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || !finite(v) {
		return 0, fieldError{name, fmt.Sprintf(say("form.number"), text)}
	}
	return v, nil
}

// field is one input with its message.
type field struct {
	Name, Label, Value, Wrong string
	Number                    bool
}

func newField(name, label, value, wrong string, number bool) field {
	return field{name, label, value, wrong, number}
}

type jobsView struct {
	frame
	typed
	Station  string
	Home     string
	Jobs     []store.Summary
	Virtual  bool
	Imported []string // what the import that was just asked for has done
	levels
}

// levels is the unit in which a form asks for levels. The form sends it back, so
// that a change of units in another window cannot change what was typed.
type levels struct{ In Scale }

func (l levels) InID() string   { return l.In.ID }
func (l levels) InUnit() string { return l.In.Label() }

// mms turns a typed level into mm/s rms, by the unit that the form says it is in.
func mms(f url.Values, x float64) float64 {
	if f.Get("in") == "in/s" {
		return x / scale("in/s", rotor.Peak).factor() * scale("mm/s", rotor.RMS).factor()
	}
	return x
}

func jobsPath(st *Station) string           { return stationPath(st.Name()) + "/jobs" }
func jobPath(st *Station, id string) string { return jobsPath(st) + "/" + url.PathEscape(id) }

func (s *Server) jobsView(r *http.Request, st *Station) (jobsView, error) {
	list, err := s.desk.list(r.Context(), st.Name())
	return jobsView{frame: frame{themeOf(r), s.version}, Station: st.Name(), Home: stationPath(st.Name()), Jobs: list,
		Virtual: st.Fan != nil, typed: typed{Form: url.Values{}}, levels: levels{levelScale(r)}}, err
}

// levelScale is the unit of a form: the one it was sent with, else that of the person.
func levelScale(r *http.Request) Scale {
	v, err := viewOf(r, View{Scale: Scales[0]})
	if id := r.PostForm.Get("in"); id != "" {
		v.Scale.ID = id
	}
	if err != nil {
		v.Scale = Scales[0]
	}
	return v.velocity()
}

func (s *Server) jobsPage(w http.ResponseWriter, r *http.Request, st *Station) {
	p, err := s.jobsView(r, st)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	if by := byOf(r); by != "" {
		p.Form.Set("by", by)
	}
	s.render(w, http.StatusOK, "jobs", p)
}

// JobURL is the page of a job in the list.
func (p jobsView) JobURL(id string) string { return p.Home + "/jobs/" + url.PathEscape(id) }

// jobsForm begins a job.
func (s *Server) jobsForm(w http.ResponseWriter, r *http.Request, st *Station) {
	if !s.form(w, r) {
		return
	}
	p, err := s.jobsView(r, st)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	p.Form = r.PostForm
	n := newJob{Name: p.Form.Get("name"), By: p.Form.Get("by"), Side: p.Form.Get("side"), Clockwise: p.Form.Get("clockwise") == "yes", Stays: p.Form.Get("stays") == "yes"}
	var starts float64
	for _, f := range []struct {
		name string
		to   *float64
	}{{"abort", &n.AbortMMS}, {"tolerance", &n.Tolerance}, {"starts", &starts}} {
		if err == nil {
			*f.to, err = p.number(f.name)
		}
	}
	n.Starts, n.AbortMMS, n.Tolerance = int(starts), mms(p.Form, n.AbortMMS), mms(p.Form, n.Tolerance)
	var b *bench
	if err == nil {
		b, err = s.desk.create(r.Context(), st, n)
	}
	if err != nil {
		p.refuse(err)
		p.loseNothing("jobs", &p, p.Form)
		s.render(w, codeOf(err), "jobs", p)
		return
	}
	keepBy(w, r, strings.TrimSpace(n.By))
	http.Redirect(w, r, jobPath(st, b.id), http.StatusSeeOther)
}

// form parses a form, with its files where it has some, or answers that it cannot.
func (s *Server) form(w http.ResponseWriter, r *http.Request) bool {
	parse := r.ParseForm
	if uploads(r) {
		http.NewResponseController(w).SetReadDeadline(s.now().Add(uploadPatience)) // a photograph over a weak network takes its time
		parse = func() error { return r.ParseMultipartForm(1 << 20) }
	}
	if err := parse(); err != nil {
		code, text := tooMuch(err)
		s.fail(w, r, code, text)
		return false
	}
	return true
}

type jobView struct {
	frame
	typed
	levels
	JobState
	By       string
	Mine     bool // this person operates the job
	Free     bool // nobody has it in hand
	Home     string
	URL      string
	API      string
	HasFan   bool // one tap does it
	Placings []Placing
	Rows     []fitRow
	Advice   job.Advice
	NoAdvice string
	Bare     bool

	Sensors []job.Sensor   // of the set-up
	Blade1  float64        // degrees from the mark as this job counts
	StillSo string         // codes of the cautions of the step, where all were ticked at this standstill; else empty
	Enough  string         // why the trial that is due may be left out; empty = it is needed
	Auto    bool           // the last run took its reading by itself
	Ahead   []job.LookItem // points of the look that one answer will do for, on a virtual fan
	Amend   *amending      // the event that ?amend=N asks to change
	Files   []store.File   // kept with the job, photographs apart
	Photos  []store.File

	polar picture.Polar // its way so far
}

// fitRow is one weight in the form of what is really on the rotor.
type fitRow struct {
	N      int
	Plane  string
	MassG  string
	Place  int
	Angle  string
	Places []FanPosition
}

func (s *Server) jobView(r *http.Request, b *bench, v View) (jobView, error) {
	js, err := b.state(r.Context(), v)
	p := jobView{frame: frame{themeOf(r), s.version}, levels: levels{levelScale(r)}, typed: typed{Form: url.Values{}}, JobState: js, By: byOf(r), HasFan: b.st.Fan != nil && js.Virtual,
		Home: stationPath(b.st.Name()), URL: jobPath(b.st, b.id), API: "/api/v1" + jobPath(b.st, b.id)}
	p.Free = js.Operator == ""
	p.Mine = p.By != "" && p.By == js.Operator
	st := b.job.State()
	p.polar, _ = jobPolar(st, v)
	p.Auto = b.auto()
	if b.ticked.all(st, p.By, b.desk.now(), js.Step.Cautions) {
		p.StillSo = codesOf(js.Step.Cautions)
	}
	if st.Setup != nil {
		p.Sensors, p.Blade1 = st.Setup.Sensors, round(st.Setup.Convention.Degrees(st.Setup.Machine.Blade1), 4)
	}
	if ahead := st.LookAhead(); p.HasFan && js.Step.Action == job.ActLook && len(ahead) > 1 {
		p.Ahead = ahead
	}
	p.Amend = b.amendment(r, st, js, r.FormValue("amend"))
	if err == nil {
		p.Photos, p.Files, err = s.filesOf(r.Context(), b)
	}
	if err != nil || js.Step.Action != job.ActFit {
		return p, err
	}
	adv, err := b.advise(v)
	if err != nil {
		p.NoAdvice = err.Error()
	} else if p.Placings, err = placings(st, adv); err != nil {
		return p, err
	}
	p.Advice, p.Bare = adv, len(adv.Weights) == 0
	for _, v := range adv.Verdicts {
		if v.Code == "one-plane-enough" && js.Step.Purpose == job.PurposeTrial {
			p.Enough = v.Text
		}
	}
	p.Rows = rowsOf(st, adv)
	return p, nil
}

// EnoughNote is the reason for leaving the trial out, ready to be sent; else empty.
func (p jobView) EnoughNote() string {
	if p.Enough == "" {
		return ""
	}
	return say("job.leave.enough.note")
}

// Point says which point of the first look is due; empty = none is.
func (p jobView) Point() string {
	for i, it := range job.LookItems {
		if it.Code == p.Step.Item {
			return fmt.Sprintf(say("job.point"), i+1, len(job.LookItems))
		}
	}
	return ""
}

// rowsOf are the advised weights as fields, and an empty one for each plane.
func rowsOf(s job.State, adv job.Advice) (out []fitRow) {
	c := s.Setup.Convention
	for _, p := range s.Setup.Planes {
		var places []FanPosition
		for _, q := range p.Positions {
			if !q.Forbidden {
				places = append(places, FanPosition{q.Number, round(c.Degrees(q.Angle), 4)})
			}
		}
		for _, w := range adv.Weights {
			if w.Plane == p.Name && w.Mass > 0 {
				out = append(out, fitRow{len(out), p.Name, strconv.FormatFloat(round(w.Mass*1e3, 6), 'f', -1, 64), number(p, w.Angle), strconv.FormatFloat(round(c.Degrees(w.Angle), 6), 'f', -1, 64), places})
			}
		}
		out = append(out, fitRow{N: len(out), Plane: p.Name, Places: places})
	}
	return out
}

// rowIn is a row of weights with the page whose typed figures it shows.
type rowIn struct {
	Page jobView
	Row  fitRow
}

// Asks says that a point of the look is asked for now.
func (p jobView) Asks(item string) bool {
	return p.Step.Item == item || slices.ContainsFunc(p.Ahead, func(it job.LookItem) bool { return it.Code == item })
}

// Photographed reports whether the point that is due asks for a photograph.
func (p jobView) Photographed() bool { return p.Step.Item == "mark" || p.Step.Item == "sensors" }

func (s *Server) jobPage(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	p, err := s.jobView(r, b, v)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	s.render(w, http.StatusOK, "job", p)
}

// jobForm does what a form asks and shows the job as it is then. What was
// refused is shown with what was typed.
func (s *Server) jobForm(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	if !s.form(w, r) {
		return
	}
	a, err := actOf(r.PostForm)
	if a.By == "" {
		a.By = byOf(r)
	}
	if err == nil {
		a.File, err = s.photograph(r, b, a.Item)
	}
	if err == nil {
		err = b.act(r.Context(), a)
	}
	if err != nil {
		p, broken := s.jobView(r, b, v)
		if broken != nil {
			s.fail(w, r, codeOf(broken), broken.Error())
			return
		}
		p.Form = r.PostForm
		p.Mine = p.Mine || a.By != "" && a.By == p.Operator // a browser without cookies
		if was := p.Form.Get("for"); was != "" && was != p.For() {
			p.Form = url.Values{} // what was typed for one step must not stand ready in the form of another
		}
		p.refuse(err)
		p.loseNothing("job", &p, r.PostForm)
		s.render(w, codeOf(err), "job", p)
		return
	}
	if a.Do == "operator" {
		keepBy(w, r, a.By)
	}
	http.Redirect(w, r, jobPath(b.st, b.id), http.StatusSeeOther)
}

// actOf reads the form of an act.
func actOf(f url.Values) (jobAct, error) {
	t := typed{Form: f}
	a := jobAct{Do: f.Get("do"), By: strings.TrimSpace(f.Get("by")), Note: strings.TrimSpace(f.Get("note")), Item: f.Get("item"), OK: f.Get("ok") == "yes" || f.Get("ok") == "all", All: f.Get("ok") == "all",
		Purpose: f.Get("purpose"), Plane: f.Get("plane"), Step: f.Get("step"), Confirmed: strings.Fields(strings.Join(f["confirmed"], " ")), Auto: f.Get("auto") == "yes"}
	a.Seen, _ = strconv.Atoi(f.Get("seen"))
	a.Target, _ = strconv.Atoi(f.Get("target"))
	var err error
	if a.Level, err = t.number("level"); err != nil {
		return a, err
	}
	a.Level = mms(f, a.Level)
	if f.Has("blade1") {
		deg, err := t.number("blade1")
		if err != nil {
			return a, err
		}
		a.Blade1 = &deg
	}
	for i := 0; f.Has(fmt.Sprintf("d%d.name", i)); i++ {
		if a.Directions == nil {
			a.Directions = map[string]string{}
		}
		a.Directions[f.Get(fmt.Sprintf("d%d.name", i))] = f.Get(fmt.Sprintf("d%d.to", i))
	}
	for i := 0; f.Has(fmt.Sprintf("w%d.plane", i)); i++ {
		at := fmt.Sprintf("w%d.", i)
		w := actWeight{Plane: f.Get(at + "plane")}
		w.Position, _ = strconv.Atoi(f.Get(at + "place"))
		if w.MassG, err = t.number(at + "mass"); err != nil {
			return a, err
		}
		if w.AngleDeg, err = t.number(at + "angle"); err != nil {
			return a, err
		}
		a.Weights = append(a.Weights, w)
	}
	return a, nil
}
