package main

import (
	"strings"
	"testing"
)

// TestCheckAFanThatTurns: the virtual fan's board is fit, and 20 us of tach
// jitter, which it was made with, are seen.
func TestCheckAFanThatTurns(t *testing.T) {
	code, out, errText := invoke(t, "check", "rig:bench-fan", "--for", "4", "--mass", "13", "--grade", "G6.3", "--json")
	if code != 0 {
		t.Fatalf("exit %d: %s\n%s", code, errText, out)
	}
	page, ok := decode(t, out).(map[string]any)
	if !ok || page["fit"] != true || page["schema"] != 1.0 {
		t.Fatalf("%s", out)
	}
	seen := 0.0
	for _, f := range page["findings"].([]any) {
		if f := f.(map[string]any); f["code"] == "tach_jitter" {
			seen = f["value"].(float64)
		}
	}
	if !(seen > 14 && seen < 28) {
		t.Errorf("%.1f us of tach jitter seen, the rig has 20", seen)
	}
	if code, _, errText := invoke(t, "check"); code != 2 || !strings.Contains(errText, "name one source") {
		t.Errorf("exit %d: %s", code, errText)
	}
}
