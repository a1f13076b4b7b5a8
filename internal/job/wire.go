package job

import (
	"bytes"
	"encoding/json"
	"fmt"
	"hash/crc32"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// schema is the version of the stored event. Fields may be added within it; a
// changed meaning is a new version, and then this package must read both.
const schema = 1

// maxLine bounds one stored event in bytes.
const maxLine = 1 << 20

// line is one event in a file: the checksum (CRC-32, IEEE) covers the bytes of
// the event as they stand, so that a half-written or rotten line is seen.
type line struct {
	Schema int             `json:"schema"`
	CRC    string          `json:"crc"`
	Event  json.RawMessage `json:"event"`
}

// encodeLine returns the event as one line with its newline.
func encodeLine(e Event) ([]byte, error) {
	body, err := json.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("event cannot be stored (a figure in it is not a number, or is infinite): %w", err)
	}
	b, err := json.Marshal(line{Schema: schema, CRC: checksum(body), Event: body})
	if err != nil {
		return nil, err
	}
	if len(b) >= maxLine {
		return nil, fmt.Errorf("event of %d bytes is too large to be stored (limit %d): keep pictures and recordings as files beside the job", len(b), maxLine)
	}
	return append(b, '\n'), nil
}

// stored is the event as it comes back from a log.
func (e Event) stored() (out Event, err error) {
	b, err := encodeLine(e)
	if err != nil {
		return Event{}, err
	}
	return decodeLine(bytes.TrimSuffix(b, []byte{'\n'}))
}

// decodeLine reads one line without its newline.
func decodeLine(b []byte) (Event, error) {
	var l line
	if err := json.Unmarshal(b, &l); err != nil {
		return Event{}, fmt.Errorf("it is not a whole event: %w", err)
	}
	if l.Schema > schema {
		return Event{}, errNewer{l.Schema}
	}
	if l.Schema < 1 || checksum(l.Event) != l.CRC {
		return Event{}, fmt.Errorf("its checksum is wrong")
	}
	var e Event
	if err := json.Unmarshal(l.Event, &e); err != nil {
		return Event{}, fmt.Errorf("its checksum is right, its content is not readable: %w", err)
	}
	return e, nil
}

func checksum(b []byte) string { return fmt.Sprintf("%08x", crc32.ChecksumIEEE(b)) }

// errNewer is a file of a later program.
type errNewer struct{ schema int }

func (e errNewer) Error() string {
	return fmt.Sprintf("it was written by a later version of counterpoise (schema %d, this one reads up to %d): use that version", e.schema, schema)
}

// JSON knows no complex numbers, and numbers of enumerations would change
// their meaning silently; these types shadow just the fields concerned.
type (
	wireEvent struct {
		plainEvent
		Reading *wireReading `json:"reading,omitempty"`
	}
	plainEvent  Event
	wireReading struct {
		phase.Reading
		Channels []wireChannel
		Dropped  map[string]int `json:",omitempty"` // by Drop
	}
	wireChannel struct {
		phase.ChannelReading
		Quantity string
		Orders   []wireComponent
	}
	wireComponent struct {
		phase.Component
		Value [2]float64 // real, imaginary
	}
)

// MarshalJSON writes the event as it is stored.
func (e Event) MarshalJSON() ([]byte, error) {
	w := wireEvent{plainEvent: plainEvent(e)}
	if r := e.Reading; r != nil {
		w.Reading = &wireReading{Reading: *r, Dropped: map[string]int{}}
		for i, n := range r.Dropped {
			if n > 0 {
				w.Reading.Dropped[phase.Drop(i).String()] = n
			}
		}
		for _, ch := range r.Channels {
			wc := wireChannel{ChannelReading: ch, Quantity: ch.Quantity.String()}
			for _, c := range ch.Orders {
				wc.Orders = append(wc.Orders, wireComponent{c, [2]float64{real(c.Value), imag(c.Value)}})
			}
			w.Reading.Channels = append(w.Reading.Channels, wc)
		}
	}
	return json.Marshal(w)
}

// UnmarshalJSON is the inverse of MarshalJSON.
func (e *Event) UnmarshalJSON(b []byte) error {
	var w wireEvent
	if err := json.Unmarshal(b, &w); err != nil {
		return err
	}
	*e = Event(w.plainEvent)
	if w.Reading == nil {
		return nil
	}
	r := w.Reading.Reading
	r.Channels = nil
	for i := range r.Dropped {
		r.Dropped[i] = w.Reading.Dropped[phase.Drop(i).String()]
	}
	for _, wc := range w.Reading.Channels {
		ch := wc.ChannelReading
		q, err := rotor.ParseQuantity(wc.Quantity)
		if err != nil {
			return err
		}
		ch.Quantity, ch.Orders = q, nil
		for _, c := range wc.Orders {
			c.Component.Value = complex(c.Value[0], c.Value[1])
			ch.Orders = append(ch.Orders, c.Component)
		}
		r.Channels = append(r.Channels, ch)
	}
	e.Reading = &r
	return nil
}

// EncodeEvent returns an event as every log keeps it: one JSON object of
// schema, checksum and event, without a newline.
func EncodeEvent(e Event) ([]byte, error) {
	b, err := encodeLine(e)
	return bytes.TrimSuffix(b, []byte{'\n'}), err
}

// DecodeEvent is the inverse of EncodeEvent. The error says in words why the
// bytes are not an event, without naming where they stood.
func DecodeEvent(b []byte) (Event, error) { return decodeLine(b) }
