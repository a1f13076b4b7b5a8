package web

import (
	"io/fs"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"
)

const home = "http://127.0.0.1:8640"

// send makes a request as a client would and returns the answer.
func send(s *Server, method, target, body string, headers ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			r.Host = headers[i+1]
		} else {
			r.Header.Set(headers[i], headers[i+1])
		}
	}
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w
}

// A page of another site must not reach this server, by whatever name it got
// the browser to use: that is DNS rebinding.
func TestForeignHostsAreRefused(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	plain := newServer(t, Config{Hosts: []string{"Fan-Pi.local"}}, f)
	guarded := newServer(t, Config{Token: "secret", Listen: "0.0.0.0:8640"}, f)
	for _, c := range []struct {
		s    *Server
		host string
		ok   bool
	}{
		{plain, "127.0.0.1:8640", true}, {plain, "localhost", true}, {plain, "LOCALHOST:8640", true}, {plain, "[::1]:8640", true},
		{plain, "[::1]", true}, {plain, "fan-pi.local:8640", true}, {plain, "fan-pi.local.", true},
		{plain, "evil.example", false}, {plain, "evil.example:8640", false}, {plain, "127.0.0.1.evil.example", false},
		{plain, "localhost.evil.example:8640", false}, {plain, "192.168.1.20:8640", false}, {plain, "", false}, {plain, "[::1", true},
		{guarded, "192.168.1.20:8640", true}, {guarded, "[fe80::1]:8640", true}, {guarded, "evil.example", false},
	} {
		for _, path := range []string{"/", "/metrics", "/healthz", "/api/v1/stations", "/api/v1/stations/bench/events"} {
			if path == "/api/v1/stations/bench/events" && c.ok {
				continue // would stream
			}
			w := send(c.s, "GET", home+path, "", "Host", c.host, "Authorization", "Bearer secret")
			if refused := w.Code == http.StatusMisdirectedRequest; refused == c.ok {
				t.Errorf("host %q, %s: status %d", c.host, path, w.Code)
			}
		}
	}
}

func TestForeignOriginsAreRefused(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	s := newServer(t, Config{}, f)
	for _, c := range []struct {
		name, method, path string
		headers            []string
		ok                 bool
	}{
		{"same origin", "POST", "/settings", []string{"Origin", home}, true},
		{"none on a post", "POST", "/settings", nil, false},
		{"another host", "POST", "/settings", []string{"Origin", "http://evil.example"}, false},
		{"another port", "POST", "/settings", []string{"Origin", "http://127.0.0.1:9999"}, false},
		{"null", "POST", "/settings", []string{"Origin", "null"}, false},
		{"a file", "POST", "/settings", []string{"Origin", "file://"}, false},
		{"fan from elsewhere", "POST", "/api/v1/stations/bench/fan", []string{"Origin", "http://evil.example"}, false},
		{"stream from elsewhere", "GET", "/api/v1/stations/bench/events", []string{"Origin", "http://evil.example"}, false},
		{"stream from elsewhere, no origin", "GET", "/api/v1/stations/bench/events", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "no-cors"}, false},
		{"api from a sibling", "GET", "/api/v1/stations", []string{"Sec-Fetch-Site", "same-site", "Sec-Fetch-Mode", "cors"}, false},
		{"a link followed", "GET", "/", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"}, true},
		{"typed in", "GET", "/", []string{"Sec-Fetch-Site", "none"}, true},
		{"a program", "GET", "/api/v1/stations", nil, true},
		{"delete", "DELETE", "/api/v1/stations", []string{"Origin", "http://evil.example"}, false},
	} {
		w := send(s, c.method, home+c.path, "", c.headers...)
		if refused := w.Code == http.StatusForbidden; refused == c.ok {
			t.Errorf("%s: status %d: %s", c.name, w.Code, w.Body)
		}
		if !c.ok && strings.Count(strings.TrimSpace(w.Body.String()), "\n") > 0 {
			t.Errorf("%s: more than one sentence: %q", c.name, w.Body)
		}
	}
}

func TestTokenIsDemandedBeyondLoopback(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	for _, listen := range []string{"0.0.0.0:8640", ":8640", "192.168.1.20:8640", "[::]:8640", "nonsense"} {
		if _, err := New(Config{Stations: []*Station{{Source: f}}, Listen: listen}); err == nil {
			t.Errorf("listening on %q without a token was accepted", listen)
		}
	}
	for _, listen := range []string{"127.0.0.1:8640", "localhost:1", "[::1]:8640"} {
		newServer(t, Config{Listen: listen}, f)
	}
	s := newServer(t, Config{Listen: "0.0.0.0:8640", Token: "correct horse"}, f)
	for _, path := range []string{"/", "/metrics", "/readyz", "/stations/bench", "/api/v1/stations", "/api/v1/stations/bench/reading", "/api/v1/stations/bench/events"} {
		for _, auth := range []string{"", "Bearer ", "Bearer wrong", "Bearer correct hors", "Basic correct horse"} {
			if w := send(s, "GET", home+path, "", "Authorization", auth); w.Code != http.StatusUnauthorized {
				t.Errorf("%s with %q: status %d", path, auth, w.Code)
			}
		}
	}
	if w := send(s, "GET", home+"/api/v1/stations", "", "Authorization", "Bearer correct horse"); w.Code != http.StatusOK {
		t.Errorf("the right token: status %d", w.Code)
	}
	if w := send(s, "GET", home+"/healthz", ""); w.Code != http.StatusOK {
		t.Errorf("healthz: status %d", w.Code)
	}
}

// enter posts the login form and returns the session cookie, if any.
func enter(s *Server, form url.Values) *http.Cookie {
	w := send(s, "POST", home+"/login", form.Encode(), "Content-Type", "application/x-www-form-urlencoded", "Origin", home)
	for _, c := range w.Result().Cookies() {
		if c.Name == sessionCookie {
			return c
		}
	}
	return nil
}

func TestLogin(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	now := when
	s := newServer(t, Config{Listen: "0.0.0.0:8640", Token: "correct horse", Now: func() time.Time { return now }}, f)
	path := s.LoginPath()
	code := url.Values{"code": {strings.TrimPrefix(path, "/login?code=")}}

	// Looking at the link, as a previewing program does, must not spend it.
	for range 2 {
		if w := send(s, "GET", home+path, ""); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), code.Get("code")) {
			t.Fatalf("the link shows no way in: %d", w.Code)
		}
	}
	c := enter(s, code)
	if c == nil {
		t.Fatal("the one-time link does not let in")
	}
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" {
		t.Errorf("the cookie is not kept close: %+v", c)
	}
	if w := send(s, "GET", home+"/", "", "Cookie", c.Name+"="+c.Value); w.Code != http.StatusOK {
		t.Errorf("with the cookie: status %d", w.Code)
	}
	if enter(s, code) != nil {
		t.Error("the link works twice")
	}
	if enter(s, url.Values{"token": {"wrong"}}) != nil || enter(s, url.Values{}) != nil || enter(s, url.Values{"token": {""}, "code": {""}}) != nil {
		t.Error("a wrong token lets in")
	}
	if enter(s, url.Values{"token": {"correct horse"}}) == nil {
		t.Error("the token does not let in")
	}
	late := url.Values{"code": {strings.TrimPrefix(s.LoginPath(), "/login?code=")}}
	now = now.Add(codeLife + time.Second)
	if enter(s, late) != nil {
		t.Error("a link works after its time")
	}
	for _, forged := range []string{"", ".", "9999999999.x.", c.Value + "0", "9" + c.Value} {
		if s.sessionValid(forged) {
			t.Errorf("the forged cookie %q is accepted", forged)
		}
	}
	now = now.Add(sessionLife)
	if s.sessionValid(c.Value) {
		t.Error("a session outlives its time")
	}
	other := newServer(t, Config{Listen: "0.0.0.0:8640", Token: "another"}, f)
	if other.sessionValid(c.Value) {
		t.Error("a session of another token is accepted")
	}
}

func TestLargeRequestsAreRefused(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	s := newServer(t, Config{}, f)
	s.stations[0].Fan = &fakeFan{}
	big := strings.Repeat("x", 10<<20)
	for _, path := range []string{"/settings", "/login", "/api/v1/stations/bench/fan"} {
		w := send(s, "POST", home+path, big, "Origin", home)
		if w.Code != http.StatusRequestEntityTooLarge {
			t.Errorf("10 MB to %s: status %d", path, w.Code)
		}
	}
	// A length that is not stated is cut off while it is read.
	r := httptest.NewRequest("POST", home+"/api/v1/stations/bench/fan", strings.NewReader(`{"do":"`+big))
	r.ContentLength = -1
	r.Header.Set("Origin", home)
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	if w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("10 MB of unstated length: status %d: %s", w.Code, w.Body)
	}
}

func TestHeadersKeepThePageToItself(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	h := send(newServer(t, Config{}, f), "GET", home+"/", "").Header()
	csp := h.Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "base-uri 'none'"} {
		if !strings.Contains(csp, want) {
			t.Errorf("the policy %q lacks %s", csp, want)
		}
	}
	if strings.Contains(csp, "unsafe") || strings.Contains(csp, "*") {
		t.Errorf("the policy %q is not strict", csp)
	}
	if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Cross-Origin-Resource-Policy") != "same-origin" {
		t.Errorf("headers are missing: %v", h)
	}
}

// The workshop may have no network: nothing embedded may name another host,
// and nothing may stand inline that the policy would have to allow.
func TestAssetsStandAlone(t *testing.T) {
	outside := regexp.MustCompile(`(?i)(https?:)?//[a-z0-9-]+(\.[a-z0-9-]+)+`)
	fetched := regexp.MustCompile(`(?i)@import|url\(`)
	inline := regexp.MustCompile(`(?i)<script(?:\s[^>]*)?>\s*[^<\s]|<style|\sstyle=|\son[a-z]+\s*=`)
	n := 0
	err := fs.WalkDir(assets, "assets", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		n++
		b, err := assets.ReadFile(p)
		if err != nil {
			return err
		}
		text := strings.ReplaceAll(string(b), "http://www.w3.org/2000/svg", "") // a name, never fetched
		if hit := outside.FindString(text); hit != "" {
			t.Errorf("%s names an outside host: %q", p, hit)
		}
		if hit := fetched.FindString(text); hit != "" && strings.HasSuffix(p, ".css") {
			t.Errorf("%s fetches something: %q", p, hit)
		}
		if strings.HasSuffix(p, ".html") {
			if hit := inline.FindString(text); hit != "" {
				t.Errorf("%s has something inline: %q", p, hit)
			}
		}
		return nil
	})
	if err != nil || n < 5 {
		t.Fatalf("looked at %d files: %v", n, err)
	}
}
