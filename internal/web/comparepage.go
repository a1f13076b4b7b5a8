package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"

	"counterpoise/internal/store"
)

type compareView struct {
	frame
	Job jobView
	Comparison
	Others  []store.Summary // jobs of this machine to compare with, this one among them
	With    string          // the second reading's job
	Second  []choice        // its readings
	Spectra []Overlay       // per sensor, where spectra were kept
	Wrong   string
}

// choice is one reading to choose.
type choice struct {
	Event int
	Name  string
}

// pair is what a comparison asks for.
type pair struct {
	a, b   sample
	benchA *bench
	benchB *bench
}

// pairOf reads which readings are meant: a and b are events, with is the job of
// the second one, else it is this one's. Without a or b the first and the newest
// reading are taken.
func (s *Server) pairOf(ctx context.Context, q url.Values, b *bench) (p pair, err error) {
	p.benchA, p.benchB = b, b
	if id := q.Get("with"); id != "" && id != b.id {
		if p.benchB, err = s.desk.get(ctx, b.st, id); err != nil {
			return p, err
		}
	}
	first, second := p.benchA.job.State(), p.benchB.job.State()
	if len(first.Runs) == 0 || len(second.Runs) == 0 || b == p.benchB && len(first.Runs) < 2 {
		return p, errors.New(say("compare.few"))
	}
	x, _ := strconv.Atoi(q.Get("a"))
	y, _ := strconv.Atoi(q.Get("b"))
	if x == 0 {
		x = first.Runs[0].Event
	}
	if y == 0 {
		y = second.Runs[len(second.Runs)-1].Event
	}
	if p.a, err = sampleOf(p.benchA.id, first, x); err != nil {
		return p, err
	}
	p.b, err = sampleOf(p.benchB.id, second, y)
	if err != nil && p.benchB != b { // the reading chosen before was one of another job
		p.b, err = sampleOf(p.benchB.id, second, second.Runs[len(second.Runs)-1].Event)
	}
	return p, err
}

func (s *Server) comparePage(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	jv, err := s.jobView(r, b, v)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	p, code := compareView{frame: jv.frame, Job: jv}, http.StatusOK
	if p.Others, err = s.desk.list(r.Context(), b.st.Name()); err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	both, err := s.pairOf(r.Context(), r.URL.Query(), b)
	if both.benchB == nil {
		both.benchB = b
	}
	p.With = both.benchB.id
	for _, run := range both.benchB.job.State().Runs {
		p.Second = append(p.Second, choice{run.Event, run.Name})
	}
	if err == nil {
		p.Comparison, err = compare(both.a, both.b, v)
	}
	if err == nil {
		p.Spectra, err = both.overlays(r.Context(), v)
	}
	if err != nil {
		p.Wrong, code = err.Error(), http.StatusNotFound
	}
	s.render(w, code, "compare", p)
}

// Twice reports whether the two readings are of two jobs.
func (p compareView) Twice() bool { return p.JobA != p.JobB }

func (s *Server) compareAnswer(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	both, err := s.pairOf(r.Context(), r.URL.Query(), b)
	var c Comparison
	if err == nil {
		c, err = compare(both.a, both.b, v)
	}
	if err != nil {
		s.fail(w, r, http.StatusNotFound, err.Error())
		return
	}
	writeJSON(w, http.StatusOK, c)
}
