package web

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"path"
	"strings"

	"counterpoise/internal/store"
)

// readFile reads a whole file of the job that may have at most so many bytes.
func (b *bench) readFile(ctx context.Context, name string, most int64) ([]byte, store.File, error) {
	f, about, err := b.desk.jobs.OpenFile(ctx, b.id, name)
	if err != nil {
		return nil, about, err
	}
	defer f.Close()
	if about.Size > most {
		return nil, about, fmt.Errorf(say("file.large"), name, about.Size, most)
	}
	body, err := io.ReadAll(io.LimitReader(f, most))
	return body, about, err
}

// jobFile answers with a file of a job. Only pictures that this program has
// written itself are shown in place; all else is handed over to be saved, and
// nothing in it may run.
func (s *Server) jobFile(w http.ResponseWriter, r *http.Request, b *bench, _ View) {
	f, about, err := s.desk.jobs.OpenFile(r.Context(), b.id, r.PathValue("file"))
	if err != nil {
		s.fail(w, r, http.StatusNotFound, err.Error())
		return
	}
	defer f.Close()
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	kind := "application/octet-stream"
	switch {
	case about.Kind == store.KindPhotograph && path.Ext(about.Name) == ".jpg":
		kind = "image/jpeg"
	case strings.HasSuffix(about.Name, ".json"):
		kind = "application/json"
	}
	h.Set("Content-Type", kind)
	if kind != "image/jpeg" {
		h.Set("Content-Disposition", `attachment; filename="`+asciiName(about.Name)+`"`)
	}
	http.ServeContent(w, r, "", about.At, f)
}

// asciiName keeps of a name what may stand in a header.
func asciiName(name string) string {
	return strings.Map(func(r rune) rune {
		if r < 128 && (r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || strings.ContainsRune("._-", r)) {
			return r
		}
		return '_'
	}, name)
}
