package web

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// wordless takes out of a template what is no text: actions, comments, style and
// the tags with those attributes that people never meet.
var (
	actions = regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	tags    = regexp.MustCompile(`(?s)<[^>]*>`)
	spoken  = regexp.MustCompile(`(?:aria-label|alt|title|placeholder|value)="([^"{]*[A-Za-z]{3}[^"{]*)"`)
	prose   = regexp.MustCompile(`[A-Za-z]{2,}`)
)

// plainWords are not of any language: names of units, orders and forms of number.
var plainWords = map[string]bool{"mm": true, "nbsp": true, "doctype": true, "html": true, "rpm": true, "Hz": true, "mark": true, "rms": true}

// strayText is what a template says without asking the catalogue.
func strayText(template string) (out []string) {
	// Values of controls are keys for programs unless the control is a button or a field that shows them.
	text := actions.ReplaceAllString(template, "\x00")
	for _, m := range spoken.FindAllStringSubmatch(text, -1) {
		if strings.HasPrefix(m[0], "value=") {
			continue
		}
		out = append(out, m[0])
	}
	for _, line := range strings.Split(tags.ReplaceAllString(text, "\x00"), "\x00") {
		for _, w := range prose.FindAllString(line, -1) {
			if !plainWords[w] {
				out = append(out, w)
			}
		}
	}
	return out
}

// straySentence finds sentences in a script: quoted text of several words, or
// one that is put into the page.
var straySentence = regexp.MustCompile("[\"'`]([A-Z][a-z]+(?: [a-z]+)+[.:!?]?|[a-z]+(?: [a-z]+){2,})[\"'`]")

// Every text of the page comes from the catalogue: neither a template nor a
// script says anything of its own, so that another language needs nothing else.
func TestNoTextOutsideTheCatalogue(t *testing.T) {
	files, err := fs.Glob(assets, "assets/*")
	must(t, err)
	seen := 0
	for _, f := range files {
		b, err := assets.ReadFile(f)
		must(t, err)
		switch {
		case strings.HasSuffix(f, ".html"):
			seen++
			for _, w := range strayText(string(b)) {
				t.Errorf("%s says %q without the catalogue", f, w)
			}
		case strings.HasSuffix(f, ".js"):
			seen++
			code := regexp.MustCompile(`(?m)//.*$`).ReplaceAllString(string(b), "")
			for _, m := range straySentence.FindAllStringSubmatch(code, -1) {
				t.Errorf("%s says %q without the catalogue", f, m[1])
			}
		}
	}
	if seen < 8 {
		t.Errorf("only %d templates and scripts were read", seen)
	}
	// The test itself must see what it is for.
	for _, bad := range []string{`<p>Press here</p>`, `<img alt="a photograph">`, `<button>{{say "x"}} again</button>`} {
		if len(strayText(bad)) == 0 {
			t.Errorf("%s was not seen", bad)
		}
	}
	if !straySentence.MatchString(`p.textContent = "Nothing was found";`) {
		t.Error("a sentence in a script was not seen")
	}
}

// spokenElsewhere are the sentences of the package's Go code that no reader of a
// page meets: headers, logs, what is told to who starts the program, and answers
// about the form of a request that a program, not a person, has built.
var spokenElsewhere = []string{
	"default-src", "text/", "public, max-age", "event: ", // protocol
	"a page could not be built", "the page could not be built", "a job could not be taken up", "serve the page", // logs and faults of the program
	"listening on %s", "there is no station to show", "two stations are called", // at the start
	"station %q", "the answer could not be written", // for machines: /readyz, JSON
	"a job cannot %q", "operator, look,", "the virtual fan cannot %q", "the survey cannot %q", // no such act
	"it is of form", "the spectrum of %q is not whole", "there is no raw signal", // inside a sentence of the catalogue
	"the drawing follows", "the survey in event", // see there
}

// The same holds for the package's Go code: a sentence for people has its key.
func TestNoSentenceInTheCode(t *testing.T) {
	files, err := filepath.Glob("*.go")
	must(t, err)
	words := regexp.MustCompile(`[A-Za-z]{2,}`)
	read := 0
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") || strings.HasPrefix(f, "words") || f == "metrics.go" {
			continue
		}
		tree, err := parser.ParseFile(token.NewFileSet(), f, nil, 0)
		must(t, err)
		read++
		ast.Inspect(tree, func(n ast.Node) bool {
			lit, ok := n.(*ast.BasicLit)
			if !ok || lit.Kind != token.STRING || lit.Value[0] == '`' {
				return true
			}
			text, _ := strconv.Unquote(lit.Value)
			if len(words.FindAllString(text, -1)) < 3 || !strings.Contains(text, " ") || strings.HasPrefix(text, "GET ") || strings.HasPrefix(text, "POST ") {
				return true
			}
			for _, p := range spokenElsewhere {
				if strings.HasPrefix(text, p) {
					return true
				}
			}
			if strings.Contains(text, "form-action 'self'") {
				return true
			}
			t.Errorf("%s says %q: give it a key in the catalogue", f, text)
			return true
		})
	}
	if read < 30 {
		t.Errorf("only %d files were read", read)
	}
}
