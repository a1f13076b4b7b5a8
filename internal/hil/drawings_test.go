package hil

import (
	"encoding/xml"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestDrawings: every drawing is well-formed, says in words what it shows, needs
// nothing from elsewhere, and is shown in the page of the boards.
func TestDrawings(t *testing.T) {
	files, err := filepath.Glob("../../hw/drawings/*.svg")
	if err != nil || len(files) < 5 {
		t.Fatalf("%d drawings: %v", len(files), err)
	}
	readme, err := os.ReadFile("../../hw/README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(readme), "](drawings/"+filepath.Base(name)+")") {
			t.Errorf("%s is not shown in hw/README.md", name)
		}
		words, shapes := 0, 0
		d := xml.NewDecoder(strings.NewReader(string(data)))
		for {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			e, ok := token.(xml.StartElement)
			if !ok {
				continue
			}
			switch e.Name.Local {
			case "title", "desc":
				words++
			case "script", "image", "use", "foreignObject":
				t.Errorf("%s has a %s", name, e.Name.Local)
			default:
				shapes++
			}
			for _, a := range e.Attr {
				if strings.Contains(a.Value, "://") && a.Name.Local != "xmlns" || strings.HasSuffix(a.Name.Local, "href") {
					t.Errorf("%s leads elsewhere: %s", name, a.Value)
				}
			}
		}
		if words != 2 || shapes < 20 {
			t.Errorf("%s: %d of title and desc, %d shapes", name, words, shapes)
		}
	}
}

// TestFirstLinesTellOfSilicon: what would run on a board or be built, and has
// not been, says so before anything else.
func TestFirstLinesTellOfSilicon(t *testing.T) {
	seen := 0
	err := filepath.WalkDir("../../hw", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		switch filepath.Ext(path) {
		case ".c", ".h", ".ld", ".svg":
		default:
			if filepath.Base(path) != "README.md" {
				return nil
			}
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		first, _, _ := strings.Cut(string(data), "\n")
		low := strings.ToLower(first)
		switch filepath.ToSlash(path) {
		case "../../hw/core/test.c": // a program of the host
			return nil
		}
		if seen++; !strings.Contains(low, "silicon") {
			t.Errorf("%s begins with %q", path, first)
		}
		return nil
	})
	if err != nil || seen < 15 {
		t.Errorf("%d files: %v", seen, err)
	}
}
