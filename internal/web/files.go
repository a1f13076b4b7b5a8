package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"mime/multipart"
	"net/http"
	"path"
	"strings"
	"time"

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

// filesOf lists what is kept with a job, photographs apart.
func (s *Server) filesOf(ctx context.Context, b *bench) (photos, others []store.File, err error) {
	all, err := s.desk.jobs.Files(ctx, b.id)
	for _, f := range all {
		if f.Kind == store.KindPhotograph {
			photos = append(photos, f)
		} else {
			others = append(others, f)
		}
	}
	return photos, others, err
}

// uploads reports whether a request is a form with files in it.
func uploads(r *http.Request) bool {
	return strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data")
}

// uploadPatience is how long an upload may take.
const uploadPatience = 2 * time.Minute

// bodyLimit is the most that a request may carry: more than a form only where
// files are sent to a job, a recording is sent to be read, and an exported job
// where jobs are taken in.
func bodyLimit(r *http.Request) int64 {
	at := strings.HasPrefix(r.URL.Path, "/stations/") && r.Method == http.MethodPost && uploads(r)
	switch parts := strings.Split(strings.Trim(r.URL.Path, "/"), "/"); {
	case at && strings.HasSuffix(r.URL.Path, "/jobs/import"):
		return maxImport
	case at && len(parts) == 3 && parts[2] == "trace":
		return maxRecording + maxBody
	case at && len(parts) == 4 && parts[2] == "jobs":
		return maxUpload + maxBody
	}
	return maxBody
}

// maxImport bounds an exported job with its takes in bytes.
const maxImport = 256 << 20

// exportJob hands the job over as one JSON document.
func (s *Server) exportJob(w http.ResponseWriter, r *http.Request, b *bench, _ View) {
	var body bytes.Buffer
	if _, err := s.desk.jobs.Export(r.Context(), b.id, &body, s.now()); err != nil {
		s.fail(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Disposition", `attachment; filename="`+asciiName(b.name)+`.json"`)
	w.Write(body.Bytes())
}

// importJob takes in an exported job and the files that lay beside it.
func (s *Server) importJob(w http.ResponseWriter, r *http.Request, st *Station) {
	if !s.form(w, r) {
		return
	}
	if r.MultipartForm != nil {
		defer r.MultipartForm.RemoveAll()
	}
	done, err := s.takeIn(r)
	p, broken := s.jobsView(r, st)
	if broken != nil {
		s.fail(w, r, codeOf(broken), broken.Error())
		return
	}
	code := http.StatusOK
	if err != nil {
		p.refuse(fieldError{"import", err.Error()})
		code = http.StatusUnprocessableEntity
	} else {
		p.Imported = append([]string{fmt.Sprintf(say("import.done"), done.New)}, done.Missing...)
	}
	s.render(w, code, "jobs", p)
}

func (s *Server) takeIn(r *http.Request) (store.Imported, error) {
	if s.desk.jobs == nil {
		return store.Imported{}, errNoJobs
	}
	beside := besides{}
	var document *multipart.FileHeader
	if r.MultipartForm != nil {
		for _, f := range r.MultipartForm.File["import"] {
			beside[f.Filename] = f
			if document == nil && isExport(f) {
				document = f
			}
		}
	}
	if document == nil {
		return store.Imported{}, errors.New(say("import.none"))
	}
	f, err := document.Open()
	if err != nil {
		return store.Imported{}, err
	}
	defer f.Close()
	return s.desk.jobs.Import(r.Context(), f, beside)
}

// isExport tells an exported job from the files beside it by its first key.
func isExport(h *multipart.FileHeader) bool {
	f, err := h.Open()
	if err != nil {
		return false
	}
	defer f.Close()
	head := make([]byte, 200)
	n, _ := io.ReadFull(f, head)
	return bytes.Contains(head[:n], []byte(`"counterpoise_job"`))
}

// besides are the files that were sent with an exported job, by their names.
type besides map[string]*multipart.FileHeader

// Open finds one of them.
func (b besides) Open(name string) (fs.File, error) {
	h := b[name]
	if h == nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	f, err := h.Open()
	if err != nil {
		return nil, err
	}
	return sentFile{f, h}, nil
}

// sentFile is an uploaded file as a file system sees it.
type sentFile struct {
	multipart.File
	h *multipart.FileHeader
}

func (f sentFile) Stat() (fs.FileInfo, error) { return sentInfo{f.h}, nil }

type sentInfo struct{ h *multipart.FileHeader }

func (i sentInfo) Name() string       { return i.h.Filename }
func (i sentInfo) Size() int64        { return i.h.Size }
func (i sentInfo) Mode() fs.FileMode  { return 0o444 }
func (i sentInfo) ModTime() time.Time { return time.Time{} }
func (i sentInfo) IsDir() bool        { return false }
func (i sentInfo) Sys() any           { return nil }
