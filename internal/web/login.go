package web

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
)

const (
	sessionCookie = "counterpoise-session"
	sessionLife   = 30 * 24 * time.Hour
	codeLife      = 15 * time.Minute
	maxCodes      = 32
)

// doorman keeps the one-time codes. Sessions need no keeping: a cookie carries
// its own end and is signed with the token, so that a phone stays logged in
// over a restart in the middle of a job, and a new token logs everybody out.
type doorman struct {
	mu    sync.Mutex
	codes map[string]time.Time
}

// LoginPath mints a one-time way in, to be printed or shown as a code that a
// phone can scan: the path below the server's address. It is empty where no
// token is in force.
func (s *Server) LoginPath() string {
	if s.token == "" {
		return ""
	}
	code := rand.Text()
	d := &s.doorman
	d.mu.Lock()
	defer d.mu.Unlock()
	now := s.now()
	for c, end := range d.codes {
		if now.After(end) {
			delete(d.codes, c)
		}
	}
	if len(d.codes) >= maxCodes {
		clear(d.codes)
	}
	d.codes[code] = now.Add(codeLife)
	return "/login?code=" + code
}

// spend uses up a code.
func (d *doorman) spend(code string, now time.Time) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	end, ok := d.codes[code]
	delete(d.codes, code)
	return ok && now.Before(end)
}

// known reports whether the request may come in.
func (s *Server) known(r *http.Request) bool {
	if s.token == "" || s.bearer(r) {
		return true
	}
	c, err := r.Cookie(sessionCookie)
	return err == nil && s.sessionValid(c.Value)
}

func (s *Server) bearer(r *http.Request) bool {
	t, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	return ok && s.token != "" && same(t, s.token)
}

// same compares in constant time and hides the length.
func same(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return subtle.ConstantTimeCompare(x[:], y[:]) == 1
}

func (s *Server) sign(text string) string {
	m := hmac.New(sha256.New, []byte(s.token))
	m.Write([]byte("session " + text))
	return hex.EncodeToString(m.Sum(nil))
}

func (s *Server) newSession() string {
	nonce := make([]byte, 12)
	rand.Read(nonce)
	text := strconv.FormatInt(s.now().Add(sessionLife).Unix(), 10) + "." + base64.RawURLEncoding.EncodeToString(nonce)
	return text + "." + s.sign(text)
}

func (s *Server) sessionValid(value string) bool {
	i := strings.LastIndexByte(value, '.')
	if i < 0 || !same(value[i+1:], s.sign(value[:i])) {
		return false
	}
	end, _, _ := strings.Cut(value, ".")
	unix, err := strconv.ParseInt(end, 10, 64)
	return err == nil && s.now().Before(time.Unix(unix, 0))
}

// askToken sends a person to the way in and a program a sentence.
func (s *Server) askToken(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("WWW-Authenticate", `Bearer realm="counterpoise"`)
	if r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html") {
		s.meters.refused.WithLabelValues("token").Inc()
		s.render(w, http.StatusUnauthorized, "login", loginPage{})
		return
	}
	s.refuse(w, r, http.StatusUnauthorized, "token", say("refused.token"))
}

type loginPage struct {
	frame
	Code  string
	Wrong bool
}

// loginForm shows the way in. The code is spent only by the button, because a
// program that previews links must not use it up.
func (s *Server) loginForm(w http.ResponseWriter, r *http.Request) {
	s.render(w, http.StatusOK, "login", loginPage{Code: r.URL.Query().Get("code")})
}

func (s *Server) login(w http.ResponseWriter, r *http.Request) {
	code, token := r.PostFormValue("code"), r.PostFormValue("token")
	if s.token != "" && !(token != "" && same(strings.TrimSpace(token), s.token)) && !s.doorman.spend(code, s.now()) {
		s.meters.refused.WithLabelValues("token").Inc()
		s.render(w, http.StatusForbidden, "login", loginPage{Wrong: true})
		return
	}
	if s.token != "" {
		http.SetCookie(w, &http.Cookie{Name: sessionCookie, Value: s.newSession(), Path: "/", HttpOnly: true,
			SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil, MaxAge: int(sessionLife / time.Second)})
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
