package acq

import "errors" // replaced below as the wire sources land

func openTake(w *word, o Options, s stream) (Source, error)  { return nil, errors.ErrUnsupported }
func openLines(w *word, o Options, s stream) (Source, error) { return nil, errors.ErrUnsupported }
func openLive(w *word, o Options) (Source, error)            { return nil, errors.ErrUnsupported }
