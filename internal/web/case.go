package web

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"counterpoise/internal/balance/casefile"
)

// exampleCase is what an empty form shows: a form to overwrite, not a measurement.
const exampleCase = `{"convention": "with-rotation", "unit": "mm/s", "detector": "rms", "speed_rpm": 1480,
 "machine": {"mass_kg": 120, "grade": 6.3},
 "planes": [{"name": "hub", "radius_mm": 300, "positions": 16, "first_position_deg": 0, "cap_g": 200}],
 "sensors": [{"name": "DE-H", "tolerance": 1.8}],
 "runs": [
  {"name": "as found", "weights": [], "vectors": [{"amplitude": 5.0, "phase_deg": 20}]},
  {"name": "trial", "weights": [{"plane": "hub", "mass_g": 40, "angle_deg": 0}],
   "vectors": [{"amplitude": 4.2, "phase_deg": 340}]}]}`

type casePage struct {
	frame
	Asks    []string
	Ask     string
	Text    string // as typed
	Confirm bool
	Wrong   string
	Answer  string
}

// caseForm works out a case for a person. What was typed stays in the form.
func (s *Server) caseForm(w http.ResponseWriter, r *http.Request) {
	p := casePage{frame: frame{themeOf(r), s.version}, Ask: string(casefile.AskCorrection), Text: exampleCase}
	for _, a := range casefile.Asks {
		p.Asks = append(p.Asks, string(a))
	}
	code := http.StatusOK
	if r.Method == http.MethodPost {
		if err := r.ParseForm(); err != nil {
			code, text := tooMuch(err)
			s.fail(w, r, code, text)
			return
		}
		p.Ask, p.Text, p.Confirm = r.PostForm.Get("ask"), r.PostForm.Get("case"), r.PostForm.Get("confirm") == "yes"
		var err error
		if p.Answer, err = answerText(p); err != nil {
			p.Wrong, code = err.Error(), http.StatusUnprocessableEntity
		}
	}
	s.render(w, code, "case", p)
}

func answerText(p casePage) (string, error) {
	answer, err := casefile.Answer(strings.NewReader(p.Text), casefile.Ask(p.Ask), p.Confirm)
	if err != nil {
		return "", err
	}
	var b bytes.Buffer
	if text, ok := answer.(casefile.Text); ok {
		err = text.WriteText(&b)
	} else {
		err = casefile.WriteJSON(&b, answer)
	}
	return b.String(), err
}

// caseAnswer works out the case in the body; ?ask= and ?confirm=yes as in the form.
func (s *Server) caseAnswer(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	ask := casefile.AskCorrection
	if v := q.Get("ask"); v != "" {
		ask = casefile.Ask(v)
	}
	answer, err := casefile.Answer(r.Body, ask, q.Get("confirm") == "yes")
	if err != nil {
		code := http.StatusUnprocessableEntity
		text := err.Error()
		if large := (*http.MaxBytesError)(nil); errors.As(err, &large) {
			code, text = tooMuch(err)
		}
		s.fail(w, r, code, text)
		return
	}
	writeJSON(w, http.StatusOK, answer)
}

// tooMuch is the code and sentence for a body that could not be read.
func tooMuch(err error) (code int, text string) {
	if large := (*http.MaxBytesError)(nil); errors.As(err, &large) {
		return http.StatusRequestEntityTooLarge, fmt.Sprintf(say("refused.large"), large.Limit)
	}
	return http.StatusBadRequest, fmt.Sprintf(say("refused.form"), err)
}
