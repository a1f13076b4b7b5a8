package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"counterpoise/internal/acq"
)

func (s *Server) routes(reg *prometheus.Registry) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.home)
	mux.HandleFunc("GET /stations/{name}", s.stationPage)
	mux.HandleFunc("GET /case", s.caseForm)
	mux.HandleFunc("POST /case", s.caseForm)
	mux.HandleFunc("GET /stations/{name}/jobs", s.at(s.jobsPage))
	mux.HandleFunc("POST /stations/{name}/jobs", s.at(s.jobsForm))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}", s.benchAt(s.jobPage))
	mux.HandleFunc("POST /stations/{name}/jobs/{job}", s.benchAt(s.jobForm))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}/survey", s.benchAt(s.surveyPage))
	mux.HandleFunc("POST /stations/{name}/jobs/{job}/survey", s.benchAt(s.surveyForm))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}/survey/drawing", s.benchAt(s.surveyDrawing))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}/compare", s.benchAt(s.comparePage))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}/compare.svg", s.benchAt(s.comparePicture))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}/compare.pdf", s.benchAt(s.comparePicture))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}/polar.svg", s.benchAt(s.jobPolarPicture))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}/polar.pdf", s.benchAt(s.jobPolarPicture))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}/files/{file}", s.benchAt(s.jobFile))
	mux.HandleFunc("GET /stations/{name}/jobs/{job}/export.json", s.benchAt(s.exportJob))
	mux.HandleFunc("POST /stations/{name}/jobs/import", s.at(s.importJob))
	mux.HandleFunc("GET /stations/{name}/trace", s.at(s.tracePage))
	mux.HandleFunc("POST /stations/{name}/trace", s.at(s.traceForm))
	mux.HandleFunc("POST /settings", s.settings)
	mux.HandleFunc("GET /login", s.loginForm)
	mux.HandleFunc("POST /login", s.login)
	mux.Handle("GET /assets/", assetHandler())
	mux.Handle("GET /favicon.ico", http.RedirectHandler("/assets/icon.svg", http.StatusFound))

	mux.HandleFunc("POST /api/v1/case", s.caseAnswer)
	mux.HandleFunc("GET /api/v1/stations", s.listStations)
	mux.HandleFunc("GET /api/v1/stations/{name}/reading", s.at(s.reading))
	mux.HandleFunc("GET /api/v1/stations/{name}/state", s.at(s.state))
	mux.HandleFunc("GET /api/v1/stations/{name}/events", s.at(s.events))
	mux.HandleFunc("GET /api/v1/stations/{name}/spectrum", s.at(s.spectrum))
	mux.HandleFunc("GET /api/v1/stations/{name}/waveform", s.at(s.waveform))
	mux.HandleFunc("GET /api/v1/stations/{name}/trend", s.at(s.trend))
	mux.HandleFunc("GET /api/v1/stations/{name}/way", s.at(s.way))
	mux.HandleFunc("GET /api/v1/stations/{name}/fan", s.at(s.fanState))
	mux.HandleFunc("POST /api/v1/stations/{name}/fan", s.at(s.fanAct))

	mux.HandleFunc("GET /api/v1/stations/{name}/trace", s.at(s.traceState))
	mux.HandleFunc("POST /api/v1/stations/{name}/trace", s.at(s.traceAct))
	mux.HandleFunc("GET /api/v1/stations/{name}/trace/answer", s.at(s.traceAnswer))
	mux.HandleFunc("GET /api/v1/stations/{name}/trace/picture", s.at(s.tracePicture))

	mux.HandleFunc("GET /api/v1/stations/{name}/jobs", s.at(s.listJobs))
	mux.HandleFunc("POST /api/v1/stations/{name}/jobs", s.at(s.createJob))
	mux.HandleFunc("GET /api/v1/stations/{name}/jobs/{job}", s.benchAt(s.jobState))
	mux.HandleFunc("GET /api/v1/stations/{name}/jobs/{job}/events", s.benchAt(s.jobEvents))
	mux.HandleFunc("POST /api/v1/stations/{name}/jobs/{job}/events", s.benchAt(s.postEvent))
	mux.HandleFunc("GET /api/v1/stations/{name}/jobs/{job}/stream", s.benchAt(s.jobStream))
	mux.HandleFunc("GET /api/v1/stations/{name}/jobs/{job}/advice", s.benchAt(s.jobAdvice))
	mux.HandleFunc("GET /api/v1/stations/{name}/jobs/{job}/survey", s.benchAt(s.surveyGuide))
	mux.HandleFunc("GET /api/v1/stations/{name}/jobs/{job}/compare", s.benchAt(s.compareAnswer))

	mux.Handle("GET /metrics", promhttp.HandlerFor(reg, promhttp.HandlerOpts{}))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "alive") })
	mux.HandleFunc("GET /readyz", s.readyz)
	return mux
}

// at finds the station named in the path.
func (s *Server) at(f func(http.ResponseWriter, *http.Request, *Station)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		st := s.byName[r.PathValue("name")]
		if st == nil {
			s.fail(w, r, http.StatusNotFound, fmt.Sprintf(say("refused.station"), r.PathValue("name")))
			return
		}
		f(w, r, st)
	}
}

type stationLine struct {
	Name   string   `json:"name"`
	URL    string   `json:"url"`
	Link   Sentence `json:"link"`
	Motion Sentence `json:"motion"`
	Speed  Amount   `json:"speed"`
	Ready  bool     `json:"ready"`
}

func (s *Server) lines() []stationLine {
	out := []stationLine{}
	for _, st := range s.stations {
		state := stateOf(st, st.Latest(), View{Scale: Scales[0]}, s.ask, s.now())
		out = append(out, stationLine{st.Name(), stationPath(st.Name()), state.Link, state.Motion, state.Speed, s.flows(st) == ""})
	}
	return out
}

func (s *Server) listStations(w http.ResponseWriter, _ *http.Request) {
	writeJSON(w, http.StatusOK, map[string]any{"schema": 1, "stations": s.lines()})
}

// staleAfter is how old the newest snapshot may be while blocks flow.
const staleAfter = 3 * time.Second

// flows is empty while the station's link is up and blocks arrive, else the
// sentence that says what is amiss.
func (s *Server) flows(st *Station) string {
	snap := st.Latest()
	switch {
	case snap == nil:
		return fmt.Sprintf("station %q has not begun", st.Name())
	case !snap.Link.Up || snap.Link.State != acq.Running:
		return fmt.Sprintf("station %q: link %s: %s", st.Name(), snap.Link.State, snap.Link.Reason)
	case s.now().Sub(snap.At) > staleAfter:
		return fmt.Sprintf("station %q: no block for %.0f s", st.Name(), s.now().Sub(snap.At).Seconds())
	}
	return ""
}

func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	var b bytes.Buffer
	for _, st := range s.stations {
		if why := s.flows(st); why != "" {
			fmt.Fprintln(&b, why)
		}
	}
	if b.Len() > 0 {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		w.WriteHeader(http.StatusServiceUnavailable)
		w.Write(b.Bytes())
		return
	}
	fmt.Fprintln(w, "ready")
}

// writeJSON builds the whole answer before it sends anything.
func writeJSON(w http.ResponseWriter, code int, v any) {
	var b bytes.Buffer
	if err := json.NewEncoder(&b).Encode(v); err != nil {
		http.Error(w, "the answer could not be written as JSON: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	w.Write(b.Bytes())
}
