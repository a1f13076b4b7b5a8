package casefile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
)

// decode reads one JSON object into v, a pointer to a struct, and names the keys
// that v does not know: a misspelt cap must not pass for none. The error is one
// sentence that says where the fault stands.
func decode(b []byte, v any) (ignored []string, err error) {
	b = bytes.TrimPrefix(b, []byte("\xef\xbb\xbf")) // some editors put this mark before UTF-8
	if bytes.HasPrefix(b, []byte("\xff\xfe")) || bytes.HasPrefix(b, []byte("\xfe\xff")) {
		return nil, errors.New("the case is a text in UTF-16, which JSON is not: save it as UTF-8")
	}
	if err := json.Unmarshal(b, v); err != nil {
		return nil, jsonError(b, err)
	}
	var all any
	if err := json.Unmarshal(b, &all); err != nil {
		return nil, jsonError(b, err)
	}
	strange("", all, reflect.TypeOf(v), &ignored)
	slices.Sort(ignored)
	return slices.Compact(ignored), nil
}

// decimalComma is a number as it is written where the comma is the decimal sign;
// in a list of whole numbers it would be right, so it is asked only after a fault.
var decimalComma = regexp.MustCompile(`:\s*-?\d+,\d+`)

// jsonError says where in the text the fault stands.
func jsonError(b []byte, err error) error {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		at := min(int(syntax.Offset), len(b))
		line := 1 + bytes.Count(b[:at], []byte("\n"))
		text := b[bytes.LastIndexByte(b[:at], '\n')+1:]
		if end := bytes.IndexByte(text, '\n'); end >= 0 {
			text = text[:end]
		}
		if n := decimalComma.Find(text); n != nil {
			return fmt.Errorf("the case is not valid JSON at line %d: %q has a decimal comma; write a point", line, strings.TrimLeft(string(n), ": "))
		}
		return fmt.Errorf("the case is not valid JSON at line %d (%v): correct the text; NaN and infinite numbers cannot be written, leave such a reading out as null", line, err)
	case errors.As(err, &kind) && kind.Field == "":
		return fmt.Errorf("the file holds one %s, and a case is one object in braces: check that this is the right file", kind.Value)
	case errors.As(err, &kind):
		line := 1 + bytes.Count(b[:min(int(kind.Offset), len(b))], []byte("\n"))
		return fmt.Errorf("at line %d of the case %s is written as %s, where another kind of value belongs: correct it", line, kind.Field, kind.Value)
	}
	return fmt.Errorf("the case is not valid JSON: %w", err)
}

// strange gathers the keys of a decoded value that its type does not know, with
// the way to them. Like package json it does not look at the case of letters.
func strange(at string, v any, t reflect.Type, out *[]string) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch v := v.(type) {
	case []any:
		if t.Kind() != reflect.Slice {
			return
		}
		for _, e := range v {
			strange(at, e, t.Elem(), out)
		}
	case map[string]any:
		if t.Kind() != reflect.Struct {
			return
		}
		known := map[string]reflect.Type{}
		for i := range t.NumField() {
			f := t.Field(i)
			if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); f.IsExported() && name != "" {
				known[strings.ToLower(name)] = f.Type
			}
		}
		for k, e := range v {
			if f, ok := known[strings.ToLower(k)]; ok {
				strange(at+k+".", e, f, out)
			} else {
				*out = append(*out, at+k)
			}
		}
	}
}
