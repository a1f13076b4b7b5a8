package acq

import (
	"errors"
	"io"
)

func openLines(w *word, o Options, s stream) (Source, error) { return nil, errors.ErrUnsupported }
func newTextFile(w *word, r io.Reader, c io.Closer) (Source, error) {
	return nil, errors.ErrUnsupported
}
func newText(w *word) (framer, error) { return nil, errors.ErrUnsupported }
