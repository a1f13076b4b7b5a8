package web

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"counterpoise/internal/blades"
	"counterpoise/internal/blades/surveyfile"
	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
)

type surveyView struct {
	frame
	typed
	Job      jobView
	Sheet    sheet
	Begun    bool
	Stating  bool // what is stated of the blades is asked for
	Kept     bool // the readings are the kept survey of the job
	Guide    *surveyfile.Guide
	Drawing  template.HTML
	Reply    *surveyfile.Reply
	Unjudged string
	Why      string // why the change of 1x cannot be foretold yet
	Places   string // why the places that were read are not used
	Visits   []visitRow
	Ruler    *[2]float64 // what the virtual ruler shows
	Scale    Scale       // of what the moves do to the 1x
	Moved    []int       // blades that were moved and are not read yet as they are now
}

type visitRow struct {
	N                        int
	Blade                    int
	Leading, Trailing, Pitch string
	Other                    string
	Confirmed                bool
}

func show(v *float64) string {
	if v == nil {
		return unknownText
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

func (s *Server) surveyView(r *http.Request, b *bench, v View) (surveyView, error) {
	jv, err := s.jobView(r, b, v)
	p := surveyView{frame: jv.frame, Job: jv, typed: typed{Form: url.Values{}}}
	if err != nil {
		return p, err
	}
	event := 0
	if p.Sheet, event, err = b.begunSheet(r.Context()); err != nil {
		return p, err
	}
	p.Begun = event > 0
	if p.Stating = !p.Begun || r.FormValue("state") == "1"; p.Stating {
		return p, p.draw()
	}
	st := b.job.State()
	p.Kept = st.Surveyed != nil && st.Surveyed.Event == event && st.Surveyed.Shape == st.Shape
	if err = p.judge(b, v); err == nil {
		p.Moved = movedUnread(st, p.Sheet)
	}
	return p, err
}

// movedUnread are the blades that were moved since the newest kept survey and
// have not been read again, in order.
func movedUnread(st job.State, sh sheet) (out []int) {
	if len(sh.Readings) == 0 { // all are read anew, whatever was moved
		return nil
	}
	for _, x := range st.Straightened {
		if st.Surveyed != nil && x.Event < st.Surveyed.Event {
			continue
		}
		for _, m := range x.Moves {
			if sh.visits(m.Blade) == 0 && !slices.Contains(out, m.Blade) {
				out = append(out, m.Blade)
			}
		}
	}
	slices.Sort(out)
	return out
}

// MovedHere says that the blade to read now was moved since it was read.
func (p surveyView) MovedHere() bool { return slices.Contains(p.Moved, p.Guide.Next) }

// draw shows which way round the rotor is stated to stand, with blade 1 at the
// pointer.
func (p *surveyView) draw() error {
	if p.Sheet.Blades < blades.MinBlades || p.Sheet.Blades > blades.MaxBlades {
		return nil
	}
	bare := p.Sheet
	bare.Readings = nil
	f, err := bare.file()
	if err != nil {
		return err
	}
	g, err := f.Guide(p.Sheet.Anticlockwise)
	if err != nil { // what was stated cannot be: the form says so when it is sent
		return nil
	}
	p.Drawing = template.HTML(g.Drawing) // our own code, from numbers alone
	return nil
}

// judge works out which blade comes next and what the readings say.
func (p *surveyView) judge(b *bench, v View) error {
	p.Scale = v.velocity()
	f, err := p.Sheet.file()
	if err != nil {
		return err
	}
	if p.Guide, err = f.Guide(p.Sheet.Anticlockwise); err != nil {
		return err
	}
	p.Drawing = template.HTML(p.Guide.Drawing) // our own code, from numbers alone
	for i, x := range p.Sheet.Readings {
		p.Visits = append(p.Visits, visitRow{i, x.Blade, show(x.Leading), show(x.Trailing), show(x.Pitch), others(x), x.Confirmed})
	}
	slices.Reverse(p.Visits) // the newest first
	if n, _ := p.Sheet.places(); n > 0 && n < p.Sheet.Blades {
		p.Places = fmt.Sprintf(say("survey.places.some"), n, p.Sheet.Blades)
	}
	if len(p.Sheet.Readings) > 0 {
		st := v.said(b.job.State())
		beside, why := st.Witness(st.Shape, p.Sheet.FanZ*1e-3).Beside(st.Setup)
		if p.Reply, err = f.AnswerBeside(&beside); err != nil {
			p.Unjudged = err.Error()
		}
		if why != nil {
			p.Why = fmt.Sprintf(say("survey.foretold.not"), why)
		}
	}
	if b.st.Fan != nil && p.Job.Virtual {
		if le, te, ok := ruler(b.st.Fan, p.Blade(), p.Sheet.visits(p.Blade())); ok {
			p.Ruler = &[2]float64{le, te}
		}
	}
	return nil
}

// others are the rarer readings of a visit in words.
func others(x visit) (text string) {
	for _, o := range []struct {
		v    *float64
		unit string
	}{{x.Mass, "g"}, {x.Moment, "g mm"}, {x.Place, "°"}} {
		if o.v != nil {
			if text != "" {
				text += ", "
			}
			text += show(o.v) + " " + o.unit
		}
	}
	return text
}

// Blade is the blade that the reading form is for: the one asked for, else the
// one that comes next, else the one read least often.
func (p surveyView) Blade() int {
	if n, _ := strconv.Atoi(p.Form.Get("blade")); n >= 1 && n <= p.Sheet.Blades {
		return n
	}
	if p.Guide != nil && p.Guide.Next > 0 {
		return p.Guide.Next
	}
	least, at := math.MaxInt, 1
	for n := 1; n <= p.Sheet.Blades; n++ {
		if k := p.Sheet.visits(n); k < least {
			least, at = k, n
		}
	}
	return at
}

// asked are the readings of a blade in question, and why.
type asked struct {
	Blade int
	Texts []string
}

// Asked are the blades whose readings are in question; that one is still to be
// read is none.
func (p surveyView) Asked() (out []asked) {
	if p.Reply == nil {
		return nil
	}
	for _, q := range p.Reply.Questions {
		if q.Code == "blade-missing" {
			continue
		}
		i := slices.IndexFunc(out, func(a asked) bool { return a.Blade == q.Blade })
		if i < 0 {
			i, out = len(out), append(out, asked{Blade: q.Blade})
		}
		out[i].Texts = append(out[i].Texts, q.Text)
	}
	return out
}

// AskedHere are the questions on the blade that is to be read again.
func (p surveyView) AskedHere() []string {
	for _, a := range p.Asked() {
		if a.Blade == p.Guide.Next {
			return a.Texts
		}
	}
	return nil
}

// stands is the button that says that a blade's readings stand.
type stands struct {
	Page  surveyView
	Blade int
}

// Stands is that button for a blade.
func (p surveyView) Stands(blade int) stands { return stands{p, blade} }

// AskedElse are the questions on other blades.
func (p surveyView) AskedElse() []asked {
	return slices.DeleteFunc(p.Asked(), func(a asked) bool { return a.Blade == p.Guide.Next })
}

// Level writes an amplitude at 1x, which is in the unit of Scale.
func (p surveyView) Level(x float64) string {
	if p.Scale.ID == "in/s" {
		return strconv.FormatFloat(x, 'f', 4, 64)
	}
	return strconv.FormatFloat(x, 'f', 2, 64)
}

// Numbers are the blades to choose from.
func (p surveyView) Numbers() (out []int) {
	for n := 1; n <= p.Sheet.Blades; n++ {
		out = append(out, n)
	}
	return out
}

// Read is how many blades are read.
func (p surveyView) Read() int { return len(p.Guide.Done) + len(p.Guide.Asked) }

// Angled says that blade angles are being read.
func (p surveyView) Angled() bool { return slices.Contains(p.Guide.Keys, "pitch_deg") }

// ExtraWrong says that one of the rarer fields of a visit is wrong.
func (p surveyView) ExtraWrong() bool {
	return slices.Contains([]string{"pitch", "one_mass", "one_moment", "place"}, p.Field)
}

// Set is a box as it was ticked, or as it is kept.
func (p surveyView) Set(name string, kept bool) bool {
	if p.Form.Has("blades") { // the form was sent: an empty box sends nothing
		return p.Form.Get(name) == "yes"
	}
	return kept
}

// AntiTyped says that the rotor turns anticlockwise as stated.
func (p surveyView) AntiTyped() bool {
	if p.Form.Has("turns") {
		return p.Form.Get("turns") == "anticlockwise"
	}
	return p.Sheet.Anticlockwise
}

// Filled says that all that is to be stated of the blades is known of the
// virtual fan, and only waits to be looked at.
func (p surveyView) Filled() bool { return p.Job.HasFan && !p.Begun }

// Shown is what the virtual ruler shows at the leading edge (0) or the trailing
// edge (1); empty on a real machine, where a person reads.
func (p surveyView) Shown(edge int) string {
	if p.Ruler == nil {
		return ""
	}
	return show(&p.Ruler[edge])
}

// Turning says that nobody may be near the blades.
func (p surveyView) Turning() bool { return p.Job.Running }

// Plain and More are the fields that state what blades they are.
func (p surveyView) Plain() []field { return p.fields(plainFigures()) }
func (p surveyView) More() []field  { return p.fields(moreFigures()) }

func (p surveyView) fields(list []figure) (out []field) {
	for _, f := range list {
		out = append(out, newField(f.Name, f.Word, p.Val(f.Name, blank(*f.to(&p.Sheet))), p.Err(f.Name), true))
	}
	return out
}

// blank is a figure, or nothing where it is not known.
func blank(v float64) string {
	if v == 0 {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// MoreOpen says that one of the fields behind "more" is wrong.
func (p surveyView) MoreOpen() bool {
	return slices.ContainsFunc(p.More(), func(f field) bool { return f.Wrong != "" }) || p.Err("tol_track") != "" || p.Err("tol_pitch") != ""
}

// CrackedText is the list of cracked blades as it is typed.
func (p surveyView) CrackedText() string {
	text := ""
	for i, n := range p.Sheet.Cracked {
		if i > 0 {
			text += ", "
		}
		text += strconv.Itoa(n)
	}
	return p.Val("cracked", text)
}

// Own is a spread of one's own, or nothing.
func (p surveyView) Own(name string) string {
	t := p.Sheet.Tolerance
	switch {
	case t == nil:
		return p.Val(name, "")
	case name == "tol_track":
		return p.Val(name, blank(t.Track))
	}
	return p.Val(name, blank(t.Pitch))
}

// Preset is the tolerance chosen.
func (p surveyView) Preset() string {
	if t := p.Sheet.Tolerance; t != nil {
		return p.Val("tolerance", t.Preset)
	}
	return p.Val("tolerance", "")
}

// Presets are the published tolerances.
func (p surveyView) Presets() []blades.Tolerance { return blades.Presets }

func (s *Server) surveyPage(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	p, err := s.surveyView(r, b, v)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	s.render(w, http.StatusOK, "survey", p)
}

// surveyDrawing draws which way round the rotor stands by what a form holds.
func (s *Server) surveyDrawing(w http.ResponseWriter, r *http.Request, b *bench, _ View) {
	t := typed{Form: r.URL.Query()}
	sh, _, err := b.begunSheet(r.Context())
	if err == nil {
		sh, err = t.orient(sh)
	}
	p := surveyView{Sheet: sh}
	if err == nil {
		err = p.draw()
	}
	if err != nil {
		s.fail(w, r, http.StatusUnprocessableEntity, err.Error())
		return
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Write([]byte(p.Drawing))
}

// surveyGuide is the survey for programs: what is read, what comes next, and
// the judgement so far.
func (s *Server) surveyGuide(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	v.Scale = scale("mm/s", rotor.RMS) // the keys of the judgement have one unit, whoever asks
	p, err := s.surveyView(r, b, v)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	writeJSON(w, http.StatusOK, map[string]any{"schema": 1, "begun": p.Begun, "kept": p.Kept, "survey": p.Sheet, "guide": p.Guide, "judgement": p.Reply})
}

func (s *Server) surveyForm(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	if !s.form(w, r) {
		return
	}
	to, err := s.surveyDo(r, b)
	if err == nil {
		http.Redirect(w, r, jobPath(b.st, b.id)+to, http.StatusSeeOther)
		return
	}
	p, broken := s.surveyView(r, b, v)
	if broken != nil {
		s.fail(w, r, codeOf(broken), broken.Error())
		return
	}
	p.Form = r.PostForm
	if p.Stating { // the drawing follows what was typed
		if sh, bad := p.orient(p.Sheet); bad == nil {
			p.Sheet = sh
			p.draw()
		}
	}
	if errors.Is(err, errOnlyDrawn) {
		s.render(w, http.StatusOK, "survey", p)
		return
	}
	p.refuse(err)
	p.loseNothing("survey", &p, p.Form)
	s.render(w, codeOf(err), "survey", p)
}
