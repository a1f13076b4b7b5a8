package acq

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

// word is a SOURCE word taken apart: kind:path?key=value&key=value. Keys and
// values are percent-encoded where they hold ?, &, = or %; a + is a plus.
type word struct {
	full string
	kind string // serial, tcp, file or -
	path string // /dev/ttyACM0, host:port, file name
	args map[string]string
	used map[string]bool
}

// kinds of sources that Open knows.
var kinds = []string{"serial", "tcp", "file"}

func parseWord(full string) (*word, error) {
	w := &word{full: full, args: map[string]string{}, used: map[string]bool{}}
	head, query, _ := strings.Cut(full, "?")
	var found bool
	if w.kind, w.path, found = strings.Cut(head, ":"); head == "-" {
		w.kind = "-"
	} else if !found || !slices.Contains(kinds, w.kind) || w.path == "" {
		return nil, fmt.Errorf("source %q is not understood: write serial:PORT, tcp:HOST:PORT, file:NAME, rig:NAME (a virtual fan) or - for standard input", full)
	}
	var err error
	if w.path, err = url.PathUnescape(w.path); err != nil {
		return nil, fmt.Errorf("source %q: %v; write %% as %%25", full, err)
	}
	for pair := range strings.SplitSeq(query, "&") {
		if pair == "" {
			continue
		}
		key, value, _ := strings.Cut(pair, "=")
		k, errK := url.PathUnescape(key)
		v, errV := url.PathUnescape(value)
		if errK != nil || errV != nil {
			return nil, fmt.Errorf("source %q: option %q is not percent-encoded rightly; write %% as %%25", full, pair)
		}
		if _, twice := w.args[k]; twice {
			return nil, fmt.Errorf("source %q: option %s is given twice", full, k)
		}
		w.args[k] = v
	}
	return w, nil
}

// take returns an option and marks it as known.
func (w *word) take(key string) (string, bool) {
	w.used[key] = true
	v, ok := w.args[key]
	return v, ok
}

func (w *word) text(key, otherwise string) string {
	if v, ok := w.take(key); ok {
		return v
	}
	return otherwise
}

// number reads a finite number within [low, high].
func (w *word) number(key string, otherwise, low, high float64) (float64, error) {
	v, ok := w.take(key)
	if !ok {
		return otherwise, nil
	}
	x, err := strconv.ParseFloat(v, 64)
	if err != nil || !(x >= low && x <= high) {
		return 0, fmt.Errorf("source %q: %s=%s must be a number from %g to %g", w.full, key, v, low, high)
	}
	return x, nil
}

func (w *word) integer(key string, otherwise, low, high int) (int, error) {
	v, ok := w.take(key)
	if !ok {
		return otherwise, nil
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < low || n > high {
		return 0, fmt.Errorf("source %q: %s=%s must be a whole number from %d to %d", w.full, key, v, low, high)
	}
	return n, nil
}

// choice reads one of a few words; the first is the default.
func (w *word) choice(key string, words ...string) (string, error) {
	v := w.text(key, words[0])
	if !slices.Contains(words, v) {
		return "", fmt.Errorf("source %q: %s=%s is not known: use %s", w.full, key, v, strings.Join(words, " or "))
	}
	return v, nil
}

// early refuses what can be no option of this kind of source, before anything is
// opened. Options of single channels (scale.NAME) wait for the names.
func (w *word) early(known ...string) error {
	for k := range w.args {
		base, _, _ := strings.Cut(k, ".")
		if !slices.Contains(known, base) {
			return fmt.Errorf("source %q: option %s is not known here: use %s", w.full, k, strings.Join(known, ", "))
		}
	}
	return nil
}

// done refuses options that nobody asked for, so that a slip of the pen is not
// silently a default.
func (w *word) done() error {
	var strange, known []string
	for k := range w.args {
		if !w.used[k] {
			strange = append(strange, k)
		}
	}
	if len(strange) == 0 {
		return nil
	}
	for k := range w.used {
		known = append(known, k)
	}
	slices.Sort(strange)
	slices.Sort(known)
	return fmt.Errorf("source %q: option %s is not known here: use %s", w.full, strange[0], strings.Join(known, ", "))
}

// escape writes a path so that parseWord reads it back.
func escape(path string) string {
	return strings.NewReplacer("%", "%25", "?", "%3F").Replace(path)
}
