package web

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

func postCase(t *testing.T, s http.Handler, path, kind, body string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest("POST", "http://127.0.0.1"+path, strings.NewReader(body))
	r.Header.Set("Content-Type", kind)
	r.Header.Set("Origin", "http://127.0.0.1")
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w
}

func TestCaseIsWorkedOutByTheAPI(t *testing.T) {
	s, err := New(Config{Stations: []*Station{{Source: newFake("fan")}}})
	if err != nil {
		t.Fatal(err)
	}
	w := postCase(t, s, "/api/v1/case", "application/json", exampleCase)
	var a struct {
		Schema      int
		Corrections []struct {
			Plane string
			MassG float64 `json:"mass_g"`
		}
	}
	if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil || w.Code != 200 || a.Schema != 1 || len(a.Corrections) != 1 || !(a.Corrections[0].MassG > 0) {
		t.Errorf("%d %s: %v", w.Code, w.Body, err)
	}
	for _, ask := range []string{"trial", "tolerance"} {
		if w := postCase(t, s, "/api/v1/case?ask="+ask, "application/json", exampleCase); w.Code != 200 || !json.Valid(w.Body.Bytes()) {
			t.Errorf("%s: %d %s", ask, w.Code, w.Body)
		}
	}
	for what, c := range map[string]struct{ path, body, want string }{
		"unknown plane":   {"/api/v1/case", strings.Replace(exampleCase, `"plane": "hub"`, `"plane": "rim"`, 1), "rim"},
		"prose":           {"/api/v1/case", "dear sir", "JSON"},
		"unknown ask":     {"/api/v1/case?ask=miracle", exampleCase, "miracle"},
		"larger than all": {"/api/v1/case", strings.Repeat(" ", maxBody+1), "bytes"},
	} {
		w := postCase(t, s, c.path, "application/json", c.body)
		if w.Code < 400 || !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%s: %d %s, want a refusal that says %q", what, w.Code, w.Body, c.want)
		}
	}
}

func TestCaseFormKeepsWhatWasTyped(t *testing.T) {
	s, err := New(Config{Stations: []*Station{{Source: newFake("fan")}}})
	if err != nil {
		t.Fatal(err)
	}
	send := func(text string) *httptest.ResponseRecorder {
		return postCase(t, s, "/case", "application/x-www-form-urlencoded", url.Values{"ask": {"correction"}, "case": {text}}.Encode())
	}
	if w := send(exampleCase); w.Code != 200 || !strings.Contains(w.Body.String(), "hub:") || !strings.Contains(w.Body.String(), "Before anyone goes near the rotor") {
		t.Errorf("%d: the answer or its cautions are missing", w.Code)
	}
	w := send(strings.Replace(exampleCase, "40", "-40.125", 1))
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "-40.125") || !strings.Contains(w.Body.String(), `role="alert"`) {
		t.Errorf("%d: a bad case must come back as typed, with the sentence", w.Code)
	}
}
