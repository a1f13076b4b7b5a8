package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/store"
)

// benchAt finds the job named in the path.
func (s *Server) benchAt(f func(http.ResponseWriter, *http.Request, *bench, View)) http.HandlerFunc {
	return s.at(func(w http.ResponseWriter, r *http.Request, st *Station) {
		v, ok := s.view(w, r, st)
		if !ok {
			return
		}
		b, err := s.desk.get(r.Context(), st, r.PathValue("job"))
		if err != nil {
			s.fail(w, r, codeOf(err), err.Error())
			return
		}
		f(w, r, b, v)
	})
}

// codeOf is the status that goes with a refusal.
func codeOf(err error) int {
	switch {
	case errors.Is(err, store.ErrNoJob):
		return http.StatusNotFound
	case errors.Is(err, errNoJobs):
		return http.StatusNotImplemented
	case errors.As(err, new(fieldError)):
		return http.StatusUnprocessableEntity
	}
	return http.StatusConflict
}

// refuseAct answers a refused act; the field of a form that it belongs to
// stands beside the sentence.
func (s *Server) refuseAct(w http.ResponseWriter, err error) {
	out := map[string]any{"schema": 1, "error": err.Error()}
	if fe := (fieldError{}); errors.As(err, &fe) {
		out["field"] = fe.Field
	}
	if errors.Is(err, job.ErrStale) {
		out["stale"] = true
	}
	writeJSON(w, codeOf(err), out)
}

// decode reads a JSON body, or answers that it cannot.
func (s *Server) decode(w http.ResponseWriter, r *http.Request, v any) bool {
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		code, text := tooMuch(err)
		s.fail(w, r, code, text)
		return false
	}
	return true
}

func (s *Server) listJobs(w http.ResponseWriter, r *http.Request, st *Station) {
	list, err := s.desk.list(r.Context(), st.Name())
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	writeJSON(w, http.StatusOK, map[string]any{"schema": 1, "jobs": list})
}

func (s *Server) createJob(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	var n newJob
	if !ok || !s.decode(w, r, &n) {
		return
	}
	b, err := s.desk.create(r.Context(), st, n)
	if err != nil {
		s.refuseAct(w, err)
		return
	}
	s.answerJob(w, r, b, v, http.StatusCreated)
}

func (s *Server) jobState(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	s.answerJob(w, r, b, v, http.StatusOK)
}

func (s *Server) answerJob(w http.ResponseWriter, r *http.Request, b *bench, v View, code int) {
	js, err := b.state(r.Context(), v)
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	writeJSON(w, code, js)
}

func (s *Server) postEvent(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	var a jobAct
	if !s.decode(w, r, &a) {
		return
	}
	if err := b.act(r.Context(), a); err != nil {
		s.refuseAct(w, err)
		return
	}
	s.answerJob(w, r, b, v, http.StatusOK)
}

// jobEvents are the events as they are stored.
func (s *Server) jobEvents(w http.ResponseWriter, r *http.Request, b *bench, _ View) {
	events, err := b.job.Events(r.Context())
	if err != nil {
		s.fail(w, r, codeOf(err), err.Error())
		return
	}
	writeJSON(w, http.StatusOK, map[string]any{"schema": 1, "events": events})
}

// jobAdvice is what to fit in the step that is due.
func (s *Server) jobAdvice(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	adv, err := b.advise(v)
	if err != nil {
		s.fail(w, r, http.StatusConflict, err.Error())
		return
	}
	st := b.job.State()
	drawn, err := placings(st, adv)
	if err != nil {
		s.fail(w, r, http.StatusConflict, err.Error())
		return
	}
	writeJSON(w, http.StatusOK, map[string]any{"schema": 1, "seen": st.Events, "weights": weightList(adv.Weights, st.Setup.Convention),
		"expected": adv.Expected, "planes": drawn, "verdicts": verdictTexts(adv.Verdicts)})
}

// levelBeat is how often a page hears of speed and level during a run.
const levelBeat = 500 * time.Millisecond

// jobStream tells a page that the job has moved on, and how far a reading is.
func (s *Server) jobStream(w http.ResponseWriter, r *http.Request, b *bench, v View) {
	if !s.seats.take() {
		s.refuse(w, r, http.StatusServiceUnavailable, "seats", fmt.Sprintf(say("refused.seats"), maxStreams))
		return
	}
	defer s.seats.leave()
	w.Header().Set("Content-Type", "text/event-stream")
	rc := http.NewResponseController(w)
	rc.SetReadDeadline(time.Time{})
	for {
		busy, changed := b.busy.get()
		now := b.job.State()
		seen, level := now.Events, b.levelNow(now, b.st.Latest(), v)
		speed := b.speedNow(now, b.st.Latest())
		rc.SetWriteDeadline(time.Now().Add(streamPatience))
		body, _ := json.Marshal(map[string]any{"events": seen, "busy": busy.in(v), "level": level, "speed": speed})
		if _, err := fmt.Fprintf(w, "event: job\ndata: %s\n\n", body); err != nil || rc.Flush() != nil {
			return
		}
		beat := streamBeat
		if speed != "" {
			beat = levelBeat
		}
		if !b.waitNews(r.Context(), seen, changed, beat) || !pause(r.Context(), streamEvery) {
			return
		}
	}
}

// waitNews waits for a new event, for progress, or for the next sign of life.
func (b *bench) waitNews(ctx context.Context, seen int, changed <-chan struct{}, beat time.Duration) bool {
	wait, cancel := context.WithTimeout(ctx, beat)
	defer cancel()
	appended := make(chan struct{})
	go func() { // ends with wait
		defer close(appended)
		b.job.Wait(wait, seen)
	}()
	select {
	case <-appended:
	case <-changed:
	}
	cancel()
	<-appended
	return ctx.Err() == nil && b.desk.ctx.Err() == nil
}
