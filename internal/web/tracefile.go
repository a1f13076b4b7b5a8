package web

import (
	"errors"
	"io"
	"mime/multipart"
	"net/http"
	"os"

	"counterpoise/internal/acq"
)

// maxRecording bounds a recording that is sent to be read, in bytes: five minutes
// of eight channels at 25 kS/s, and what it unpacks to fits a small computer.
const maxRecording = 128 << 20

// sentRecording is a copy of what was sent, for as long as it is read.
type sentRecording struct{ *os.File }

func (f sentRecording) Close() error { return errors.Join(f.File.Close(), os.Remove(f.Name())) }

// take opens the recording that came with the form.
func (a *traceAsk) take(r *http.Request) error {
	var sent *multipart.FileHeader
	if r.MultipartForm != nil && len(r.MultipartForm.File["file"]) > 0 {
		sent = r.MultipartForm.File["file"][0]
	}
	if sent == nil || sent.Size == 0 {
		return fieldError{"file", say("trace.file.none")}
	}
	f, err := copyOf(sent)
	if err != nil {
		return err
	}
	if a.given, err = acq.OpenGiven(sent.Filename, r.PostForm.Get("options"), f, acq.Options{}); err != nil {
		return fieldError{"file", err.Error()}
	}
	a.Recording = true
	if name := r.PostForm.Get("file_channel"); name != "" {
		a.Channel = name
	}
	return nil
}

// copyOf keeps what was sent beyond the request, which removes its own.
func copyOf(sent *multipart.FileHeader) (f sentRecording, err error) {
	in, err := sent.Open()
	if err != nil {
		return f, err
	}
	defer in.Close()
	if f.File, err = os.CreateTemp("", "counterpoise-recording-*"); err != nil {
		return f, err
	}
	if _, err = io.Copy(f, in); err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		f.Close()
	}
	return f, err
}

// traceFileForm is one of the page's two forms, as the part that takes a file sees it.
type traceFileForm struct {
	tracePageView
	Do string
}

// For is the page as the form that does this.
func (p tracePageView) For(do string) traceFileForm { return traceFileForm{p, do} }
