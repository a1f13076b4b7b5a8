package acq

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"counterpoise/internal/acq/tickline"
)

// A take is a raw recording:
//
//	counterpoise take 1          the first line, as it stands
//	{"format": formatFrames, ...}    TakeHeader on one line
//	...                          the bytes from the wire, to the end of the file
//
// Raw counts and frames are kept as they came, so a replay may recalibrate. A
// frame of type TypeMark stands where the link was lost. A file or a stream
// without the two lines is taken as bare frames.

const takeMagic = "counterpoise take 1\n"

// TakeHeader says where a take comes from.
type TakeHeader struct {
	Format   string `json:"format"`             // frames, or lines
	Protocol int    `json:"protocol,omitempty"` // version of tickline
	Version  string `json:"version"`            // of counterpoise
	Recorded string `json:"recorded,omitempty"` // host time of the start, RFC 3339, for people
	Source   string `json:"source"`             // the SOURCE word with its calibration options
	Setup    *Setup `json:"setup,omitempty"`    // as the recorder saw it, for people
	Greeting string `json:"greeting,omitempty"` // the greeting frame on the wire, hexadecimal: a replay starts from it
}

// readTakeHeader reads the two lines, if they are there.
func readTakeHeader(name string, r *bufio.Reader) (*TakeHeader, error) {
	if magic, _ := r.Peek(len(takeMagic)); string(magic) != takeMagic {
		if bytes.HasPrefix(magic, []byte("counterpoise take ")) {
			return nil, fmt.Errorf("%s: a take of a version that this counterpoise does not read; use a newer one", name)
		}
		return &TakeHeader{Format: formatFrames}, nil
	}
	r.Discard(len(takeMagic))
	line, err := r.ReadBytes('\n')
	if err != nil {
		return nil, fmt.Errorf("%s: the take ends within its header; the recording was cut", name)
	}
	h := new(TakeHeader)
	if err := json.Unmarshal(line, h); err != nil {
		return nil, fmt.Errorf("%s: line 2, the header of the take, is damaged: %w", name, err)
	}
	if h.Format != formatFrames && h.Format != formatLines || h.Format == formatFrames && h.Protocol != tickline.Version {
		return nil, fmt.Errorf("%s: a take of %q in protocol version %d; this counterpoise reads frames of version %d", name, h.Format, h.Protocol, tickline.Version)
	}
	return h, nil
}

// openTake opens a recording or a stream of bare frames. Options of the word
// stand over those under which it was recorded.
func openTake(w *word, o Options, s stream) (Source, error) {
	r := bufio.NewReaderSize(s.Reader, 1<<16)
	h, err := readTakeHeader(w.path, r)
	if err != nil {
		return nil, err
	}
	if recorded, err := parseWord(h.Source); err == nil {
		w.inherit(recorded)
	}
	first, err := hex.DecodeString(h.Greeting)
	if err != nil {
		return nil, fmt.Errorf("%s: the greeting in the header of the take is damaged: %w", w.path, err)
	}
	if h.Format == formatLines {
		return openText(w, o, r, s.Closer)
	}
	return newStreamed(w, newWire(w), o, io.MultiReader(bytes.NewReader(first), r), s.Closer), nil
}

// calibration are the options that say what the numbers mean, not how they are
// fetched.
func calibration(key string) bool {
	key, _, _ = strings.Cut(key, ".")
	switch key {
	case "scale", "unit", "delay", "pulses", "tach", "channels", "threshold", "edge", "rate", "time_unit", "tach_delay", "tach_angle":
		return true
	}
	return false
}

// inherit takes over the calibration of a recording where the word says nothing.
func (w *word) inherit(from *word) {
	for k, v := range from.args {
		if _, own := w.args[k]; !own && calibration(k) {
			w.args[k] = v
		}
	}
}

func otherVersion(name string, v uint8) error {
	return fmt.Errorf("%s speaks tickline version %d and this counterpoise version %d, so nothing it sends can be trusted: load the firmware of this release into the board or use the counterpoise that came with it", name, v, tickline.Version)
}
