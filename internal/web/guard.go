package web

import (
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
)

// maxBody is the most that a request without files may carry. No form here needs
// more; bodyLimit says which may bring files.
const maxBody = 64 << 10

// policy allows what the page itself needs and nothing else; there is no
// inline script or style and no other host.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// guard stands before every route. It refuses foreign names (a hostile name
// may be made to resolve to this machine), foreign origins, large bodies and
// strangers, and sets the headers that keep a page to itself.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		most := bodyLimit(r)
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin") // no-referrer would make our own forms come from "null"
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		switch {
		case !s.hostAllowed(r.Host):
			s.refuse(w, r, http.StatusMisdirectedRequest, "host", fmt.Sprintf(say("refused.host"), r.Host))
		case r.ContentLength > most:
			s.refuse(w, r, http.StatusRequestEntityTooLarge, "large", fmt.Sprintf(say("refused.large"), most))
		case !s.originAllowed(w, r):
		case !s.known(r) && !open(r):
			s.askToken(w, r)
		default:
			r.Body = http.MaxBytesReader(w, r.Body, most)
			next.ServeHTTP(w, r)
		}
	})
}

// hostAllowed checks the name under which this server was asked. The port is
// left out of it: a forwarded port is no other name. An address written in
// figures cannot be rebound by a name server; beyond loopback, where the token
// guards, all of them are good.
func (s *Server) hostAllowed(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.ToLower(strings.TrimSuffix(strings.Trim(name, "[]"), "."))
	if name == "localhost" || name == "127.0.0.1" || name == "::1" || slices.Contains(s.hosts, name) {
		return true
	}
	_, err := netip.ParseAddr(name)
	return err == nil && s.token != ""
}

// originAllowed refuses what another page asks a browser to send. Browsers
// state the origin on everything but a plain same-origin GET, and a request
// that changes something must state it.
func (s *Server) originAllowed(w http.ResponseWriter, r *http.Request) bool {
	origin := r.Header.Get("Origin")
	if origin == "" {
		if r.Method != http.MethodGet && r.Method != http.MethodHead && !s.bearer(r) {
			s.refuse(w, r, http.StatusForbidden, "origin", say("refused.noorigin"))
			return false
		}
		site := r.Header.Get("Sec-Fetch-Site")
		link := r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Method == http.MethodGet
		if site == "" || site == "same-origin" || site == "none" || link {
			return true
		}
		origin = site
	} else if u, err := url.Parse(origin); err == nil && (u.Scheme == "http" || u.Scheme == "https") &&
		strings.EqualFold(u.Host, r.Host) {
		return true
	}
	s.refuse(w, r, http.StatusForbidden, "origin", fmt.Sprintf(say("refused.origin"), origin))
	return false
}

// open lists what needs no token: whether the process lives, the way in, and
// the looks of it.
func open(r *http.Request) bool {
	p := r.URL.Path
	return p == "/healthz" || p == "/login" || p == "/favicon.ico" || strings.HasPrefix(p, "/assets/")
}

// refuse answers with one sentence, as JSON under /api/ and as text elsewhere,
// and counts the reason.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, code int, reason, text string) {
	s.meters.refused.WithLabelValues(reason).Inc()
	s.fail(w, r, code, text)
}

func (s *Server) fail(w http.ResponseWriter, r *http.Request, code int, text string) {
	if strings.HasPrefix(r.URL.Path, "/api/") {
		writeJSON(w, code, map[string]any{"schema": 1, "error": text})
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(code)
	fmt.Fprintln(w, text)
}
