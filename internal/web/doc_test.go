package web

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// API.md lists the routes that there are, no more and no fewer.
func TestRoutesAreDocumented(t *testing.T) {
	code, err := os.ReadFile("routes.go")
	if err != nil {
		t.Fatal(err)
	}
	doc, err := os.ReadFile("API.md")
	if err != nil {
		t.Fatal(err)
	}
	routes := regexp.MustCompile(`"((?:GET|POST) /api/[^"]+)"`).FindAllStringSubmatch(string(code), -1)
	if len(routes) < 5 {
		t.Fatalf("found %d routes", len(routes))
	}
	for _, r := range routes {
		if !strings.Contains(string(doc), "| `"+r[1]+"` |") {
			t.Errorf("API.md lacks %s", r[1])
		}
	}
	if n := strings.Count(string(doc), "/api/v1/") - strings.Count(string(doc), "`/api/v1/"); n != len(routes) {
		t.Errorf("API.md lists %d routes, there are %d", n, len(routes))
	}
}
