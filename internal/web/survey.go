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
)

type surveyView struct {
	frame
	typed
	Job      jobView
	Sheet    sheet
	Begun    bool
	Guide    *surveyfile.Guide
	Drawing  template.HTML
	Reply    *surveyfile.Reply
	Unjudged string
	Visits   []visitRow
	Ruler    *[2]float64 // what the virtual ruler shows
}

type visitRow struct {
	N                 int
	Blade             int
	Leading, Trailing string
	Confirmed         bool
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
	if p.Sheet, p.Begun, err = b.begunSheet(r.Context()); err != nil || !p.Begun {
		return p, err
	}
	f, err := p.Sheet.file()
	if err != nil {
		return p, err
	}
	if p.Guide, err = f.Guide(p.Sheet.Anticlockwise); err != nil {
		return p, err
	}
	p.Drawing = template.HTML(p.Guide.Drawing) // our own code, from numbers alone
	for i, x := range p.Sheet.Readings {
		p.Visits = append(p.Visits, visitRow{i, x.Blade, show(x.Leading), show(x.Trailing), x.Confirmed})
	}
	if len(p.Sheet.Readings) > 0 {
		if p.Reply, err = f.Answer(); err != nil {
			p.Unjudged = err.Error()
		}
	}
	if b.st.Fan != nil && jv.Virtual {
		if le, te, ok := ruler(b.st.Fan, p.Blade(), p.Sheet.visits(p.Blade())); ok {
			p.Ruler = &[2]float64{le, te}
		}
	}
	return p, nil
}

// Blade is the blade that the reading form is for: the one asked for, else the
// one that comes next, else the first once more.
func (p surveyView) Blade() int {
	if n, _ := strconv.Atoi(p.Form.Get("blade")); n >= 1 && n <= p.Sheet.Blades {
		return n
	}
	if p.Guide != nil && p.Guide.Next > 0 {
		return p.Guide.Next
	}
	least, at := math.MaxInt, 1 // all are read: the one read least often
	for n := 1; n <= p.Sheet.Blades; n++ {
		if k := p.Sheet.visits(n); k < least {
			least, at = k, n
		}
	}
	return at
}

// Asked are the readings in question; that a blade is still to be read is none.
func (p surveyView) Asked() (out []surveyfile.ReplyQuestion) {
	if p.Reply == nil {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(p.Reply.Questions), func(q surveyfile.ReplyQuestion) bool { return q.Code == "blade-missing" })
}

// Numbers are the blades to choose from.
func (p surveyView) Numbers() (out []int) {
	for n := 1; n <= p.Sheet.Blades; n++ {
		out = append(out, n)
	}
	return out
}

func (s *Server) surveyPage(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	p, err := s.surveyView(r, b, v)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	s.render(w, http.StatusOK, "survey", p)
}

// surveyGuide is the survey for programs: what is read, what comes next, and
// the judgement so far.
func (s *Server) surveyGuide(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	p, err := s.surveyView(r, b, v)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	writeJSON(w, http.StatusOK, map[string]any{"schema": 1, "begun": p.Begun, "survey": p.Sheet, "guide": p.Guide, "judgement": p.Reply})
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
	p.refuse(err)
	s.render(w, codeOf(err), "survey", p)
}

// surveyDo carries out one form of the survey page and says where to go on.
func (s *Server) surveyDo(r *http.Request, b *bench) (to string, err error) {
	t := typed{Form: r.PostForm}
	a, err := actOf(r.PostForm)
	if err != nil {
		return "", err
	}
	if a.By = byOf(r); a.By != "" && b.job.State().Operator != a.By {
		return "", fmt.Errorf(say("job.operates"), b.job.State().Operator)
	}
	if a.By == "" {
		return "", errors.New(say("job.by.missing"))
	}
	sh, _, err := b.begunSheet(r.Context())
	if err != nil {
		return "", err
	}
	done, to := false, "/survey"
	switch a.Do {
	case "begin":
		if err := b.cautionedSurvey(a); err != nil {
			return "", err
		}
		if sh, err = t.sheet(sh); err == nil {
			err = sh.check()
		}
	case "read":
		err = t.visit(&sh)
	case "strike":
		n, bad := strconv.Atoi(t.Form.Get("visit"))
		if bad != nil || n < 0 || n >= len(sh.Readings) {
			return "", errors.New(say("survey.novisit"))
		}
		sh.Readings = slices.Delete(sh.Readings, n, n+1)
	case "confirm":
		n, _ := strconv.Atoi(t.Form.Get("blade"))
		for i := range sh.Readings {
			sh.Readings[i].Confirmed = sh.Readings[i].Confirmed || sh.Readings[i].Blade == n
		}
	case "anew":
		sh.Readings = nil
	case "bend":
		return to, b.bend(sh, t)
	case "finish":
		if err := sh.finished(); err != nil {
			return "", err
		}
		done, to = true, ""
	default:
		return "", fmt.Errorf("the survey cannot %q", a.Do)
	}
	if err != nil {
		return "", err
	}
	return to, b.keep(r.Context(), a, sh, done)
}

// cautionedSurvey demands the cautions before the first hand on a blade.
func (b *bench) cautionedSurvey(a jobAct) error {
	s := b.job.State()
	if s.Running {
		return errors.New(say("job.running"))
	}
	if s.Setup.Virtual {
		return nil
	}
	for i, c := range blades.Cautions {
		if !slices.Contains(a.Confirmed, strconv.Itoa(i)) {
			return fieldError{"confirmed", fmt.Sprintf(say("job.uncautioned"), c)}
		}
	}
	return nil
}

// visit reads the form of one visit to a blade.
func (t *typed) visit(sh *sheet) error {
	n, _ := strconv.Atoi(t.Form.Get("blade"))
	if n < 1 || n > sh.Blades {
		return fieldError{"blade", fmt.Sprintf(say("survey.blade.wrong"), sh.Blades)}
	}
	v := visit{Blade: n}
	for _, f := range []struct {
		name string
		to   **float64
	}{{"leading", &v.Leading}, {"trailing", &v.Trailing}} {
		if t.Form.Get(f.name) == "" {
			return fieldError{f.name, say("survey.edge.missing")}
		}
		x, err := t.number(f.name)
		if err != nil {
			return err
		}
		if !(math.Abs(x) <= 1e5) {
			return fieldError{f.name, say("survey.depth.wrong")}
		}
		*f.to = &x
	}
	sh.Readings = append(sh.Readings, v)
	return nil
}

// bend carries out one advised move on the virtual fan.
func (b *bench) bend(sh sheet, t typed) error {
	n, _ := strconv.Atoi(t.Form.Get("blade"))
	f, err := sh.file()
	if err != nil {
		return err
	}
	reply, err := f.Answer()
	if err != nil || b.st.Fan == nil || !b.job.State().Setup.Virtual {
		return errors.Join(err, errors.New(say("survey.nobend")))
	}
	for _, m := range reply.Moves {
		if m.Blade != n {
			continue
		}
		x := b.st.Fan.State().Blades[n-1]
		if m.Track != nil {
			x.Track += *m.Track * 1e-3
		}
		if m.Pitch != nil {
			x.Pitch += *m.Pitch * math.Pi / 180
		}
		if err := b.st.Fan.Bend(n, x.Track, x.Pitch, 0); err != nil {
			return err
		}
		_, err := b.job.Append(b.desk.ctx, job.Event{Kind: job.KindNoted, At: b.desk.now(), By: b.job.State().Operator, Note: fmt.Sprintf(say("survey.bent"), n)})
		return err
	}
	return errors.New(say("survey.nobend"))
}
