package web

import (
	"bytes"
	"fmt"
	"html"
	"net/url"
	"regexp"
	"slices"
	"strings"
)

// byHand are the fields that hold what a person has typed and nobody else knows.
var byHand = regexp.MustCompile(`^(note|level|leading|trailing|pitch|one_mass|one_moment|place|motor|options|file_channel|belt|sensor|radius|tip|hub|chord|mass|clearance|cracked|d\d+\.to|w\d+\.mass)$`)

// loseNothing looks at the page that a refused form leads to. A message belongs
// beside its field, and what was typed into its field; where the job has moved
// on and the field is not there any more, neither may get lost with it. whole is
// the view that t is part of, sent the form that was refused.
func (t *typed) loseNothing(page string, whole any, sent url.Values) {
	var b bytes.Buffer
	if pages.ExecuteTemplate(&b, page, whole) != nil {
		return // the same fault is told when the page is sent
	}
	shown := html.UnescapeString(b.String())
	if !strings.Contains(shown, t.Wrong) {
		t.Field = ""
	}
	var left []string
	for name := range sent {
		text := strings.TrimSpace(sent.Get(name))
		if text == "" || !byHand.MatchString(name) || strings.Contains(shown, `name="`+name+`"`) && strings.Contains(shown, `value="`+sent.Get(name)) {
			continue
		}
		left = append(left, weightTyped(sent, name, text))
	}
	if slices.Sort(left); len(left) > 0 {
		t.Left = fmt.Sprintf(say("form.left"), strings.Join(left, "; "))
	}
}

// weightTyped says beside a mass where it was.
func weightTyped(f url.Values, name, text string) string {
	row, isMass := strings.CutSuffix(name, ".mass")
	switch plane := f.Get(row + ".plane"); {
	case !isMass:
		return text
	case f.Get(row+".place") != "":
		return fmt.Sprintf(say("form.left.place"), plane, text, f.Get(row+".place"))
	default:
		return fmt.Sprintf(say("form.left.angle"), plane, text, f.Get(row+".angle"))
	}
}
