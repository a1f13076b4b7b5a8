package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"mime"
	"net/http"
	"net/url"
	"path"
	"strings"
	"time"

	"counterpoise/internal/blades"
	"counterpoise/internal/rotor"
)

//go:embed assets
var assets embed.FS

// version of the assets, so that a page and its scripts always match.
var assetTag = hashAssets()

func hashAssets() string {
	h := sha256.New()
	fs.WalkDir(assets, "assets", func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			b, _ := assets.ReadFile(p)
			fmt.Fprintln(h, p, len(b))
			h.Write(b)
		}
		return nil
	})
	return hex.EncodeToString(h.Sum(nil))[:12]
}

var pages = template.Must(template.New("").Funcs(template.FuncMap{
	"say": say, "sayCase": func(ask string) string { return say("case." + ask) }, "tag": func() string { return assetTag },
	"sayf":  func(key string, a ...any) string { return fmt.Sprintf(say(key), a...) },
	"rowIn": func(p jobView, r fitRow) rowIn { return rowIn{p, r} },
	"field": newField, "num": func(format string, v *float64) string { return fmt.Sprintf(format, *v) }, "surveyCautions": func() []string { return blades.Cautions },
	"tile": func(key string, s Sentence) tile { return tile{key, say(key), s} },
}).ParseFS(assets, "assets/*.html"))

// tile is a Sentence with its place on the page.
type tile struct {
	Key, Title string
	S          Sentence
}

const viewCookie = "counterpoise-view"

// frame is what every page has.
type frame struct {
	Theme   string // auto, light or dark
	Version string
}

// render builds the whole page, then sends it.
func (s *Server) render(w http.ResponseWriter, code int, name string, data any) {
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, name, data); err != nil {
		s.log.Error("a page could not be built", "page", name, "error", err)
		http.Error(w, "the page could not be built: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	w.Write(b.Bytes())
}

func themeOf(r *http.Request) string {
	c, err := r.Cookie(viewCookie)
	if err != nil {
		return "auto"
	}
	q, _ := url.ParseQuery(c.Value)
	return themeName(q.Get("theme"))
}

func themeName(t string) string {
	if t == "light" || t == "dark" {
		return t
	}
	return "auto"
}

func stationPath(name string) string { return "/stations/" + url.PathEscape(name) }

func defaultView(st *Station) View {
	return View{Scale: Scales[0], Convention: st.Config.Convention}
}

// view reads the view of a request, or answers that it cannot.
func (s *Server) view(w http.ResponseWriter, r *http.Request, st *Station) (View, bool) {
	v, err := viewOf(r, defaultView(st))
	if err != nil {
		s.fail(w, r, http.StatusBadRequest, err.Error())
		return v, false
	}
	return v, true
}

type listPage struct {
	frame
	Stations []stationLine
}

// cautions is how many there are in the catalogue.
const cautions = 8

type livePage struct {
	frame
	State    State
	View     View
	Scales   []Scale
	API      string
	Back     bool // there are other stations
	HasFan   bool
	Jobs     string // path of its jobs; empty where none are kept
	Trace    string // path of the page that follows a change of speed; empty where the source cannot be followed
	Cautions []string
}

func (s *Server) home(w http.ResponseWriter, r *http.Request) {
	if len(s.stations) == 1 {
		s.live(w, r, s.stations[0])
		return
	}
	s.render(w, http.StatusOK, "list", listPage{frame{themeOf(r), s.version}, s.lines()})
}

func (s *Server) stationPage(w http.ResponseWriter, r *http.Request) { s.at(s.live)(w, r) }

func (s *Server) live(w http.ResponseWriter, r *http.Request, st *Station) {
	v, ok := s.view(w, r, st)
	if !ok {
		return
	}
	p := livePage{frame: frame{themeOf(r), s.version}, View: v, Scales: Scales,
		State: stateOf(st, st.Latest(), v, s.askOf(st), s.now()),
		API:   "/api/v1" + stationPath(st.Name()), Back: len(s.stations) > 1, HasFan: st.Fan != nil}
	if s.desk.jobs != nil {
		p.Jobs = jobsPath(st)
	}
	if _, ok := st.Source.(Follower); ok {
		p.Trace = tracePath(st)
	}
	for i := 1; i <= cautions; i++ {
		p.Cautions = append(p.Cautions, say(fmt.Sprintf("caution.%d", i)))
	}
	s.render(w, http.StatusOK, "live", p)
}

// settings stores how this browser wants its numbers, and goes back to where
// it came from. It works without scripts.
func (s *Server) settings(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, http.StatusBadRequest, fmt.Sprintf(say("refused.form"), err))
		return
	}
	var v View
	if err := v.set(r.PostForm); err != nil {
		s.fail(w, r, http.StatusBadRequest, err.Error())
		return
	}
	keep := url.Values{"theme": {themeName(r.PostForm.Get("theme"))}}
	if v.Scale.ID != "" {
		keep.Set("scale", v.Scale.ID)
	}
	if c := r.PostForm.Get("convention"); c != "" {
		keep.Set("convention", v.Convention.String())
	}
	http.SetCookie(w, &http.Cookie{Name: viewCookie, Value: keep.Encode(), Path: "/", HttpOnly: true,
		SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil, MaxAge: int(365 * 24 * time.Hour / time.Second)})
	back := "/"
	if st := s.byName[r.PostForm.Get("station")]; st != nil {
		back = stationPath(st.Name())
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
}

// Against reports whether angles are counted against rotation.
func (p livePage) Against() bool { return p.View.Convention == rotor.AgainstRotation }

// assetHandler serves the embedded files. Their address carries a tag of their
// content, so they may be kept for good.
func assetHandler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := path.Clean(strings.TrimPrefix(r.URL.Path, "/"))
		b, err := assets.ReadFile(name)
		if err != nil || strings.HasSuffix(name, ".html") {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", mime.TypeByExtension(path.Ext(name)))
		if r.URL.RawQuery == assetTag {
			w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
		}
		w.Write(b)
	})
}
