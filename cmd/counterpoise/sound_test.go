package main

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// TestSoundCard walks the path of somebody with a sound card: an accelerometer
// on one input, which the card delivers 0.6 ms late, and a tach on the other,
// which the card turns upside down. What is wrong must be measured and told, and
// with what was told the phase must be right.
func TestSoundCard(t *testing.T) {
	const rate, hz, late, phaseDeg = 44100, 23.7, 600e-6, 35.0
	rng := rand.New(rand.NewPCG(4, 4))
	vibration := func(t float64) float64 {
		return 0.3*math.Cos(2*math.Pi*hz*(t-late)+phaseDeg*math.Pi/180) + 0.002*rng.NormFloat64()
	}
	tach := func(t float64) float64 { // seen for 2 ms, edges of 0.2 ms, the rising one half way up at the mark
		x := math.Remainder(t, 1/hz)
		return 0.1 - 0.7*max(0, min(1, 0.5+x/0.0002, 0.5+(0.002-x)/0.0002)) + 0.002*rng.NormFloat64()
	}
	pcm := sound(8, rate, vibration, tach)
	word := fmt.Sprintf("-?format=s16le&rate=%d&width=2&tach=1&unit.0=m/s^2", rate)
	run := func(args ...string) (code int, out, errText string) {
		var o, e bytes.Buffer
		code = dispatch(t.Context(), env{bytes.NewReader(pcm), &o, &e}, args)
		return code, o.String(), e.String()
	}

	code, out, _ := run("check", word)
	if code == 0 || !strings.Contains(out, "upside down") || !strings.Contains(out, "edge=falling") {
		t.Fatalf("exit %d; a tach that is upside down is not told:\n%s", code, out)
	}
	word += "&edge=falling"
	code, out, errText := run("check", word, "--json")
	if code != 0 {
		t.Fatalf("exit %d: %s\n%s", code, errText, out)
	}
	for _, f := range decode(t, out).(map[string]any)["findings"].([]any) {
		if f := f.(map[string]any); f["code"] == "tach_pulse" {
			t.Log(f["text"])
			// 2 ms of 42 are the mark, so the rest lies above the threshold
			if v := f["value"].(float64); !(math.Abs(v-(1-0.002*hz)) < 0.003) || !strings.Contains(f["text"].(string), "threshold -0.2") {
				t.Errorf("%v", f)
			}
		}
	}

	// one signal into both inputs, by a Y cable
	same := rustle(rng, 8000)
	y := sound(1.5, rate, func(t float64) float64 { return same(t - late) }, func(t float64) float64 { return same(t) })
	_, extra := delaysOf(t, y, fmt.Sprintf("-?format=s16le&rate=%d&width=2", rate), "--same-point")
	if !(math.Abs(-extra["1"]-late*1e6) < 0.5) {
		t.Fatalf("the inputs are %.1f us apart, %v was found", late*1e6, extra)
	}
	word += fmt.Sprintf("&delay.0=%.7f", -extra["1"]*1e-6)
	code, out, errText = run("measure", word, "--json", "--quantity", "acceleration")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errText)
	}
	first := decode(t, out).(map[string]any)["channels"].([]any)[0].(map[string]any)["orders"].([]any)[0].(map[string]any)
	if p := first["phase_deg"].(float64); !(math.Abs(math.Remainder(p-phaseDeg, 360)) < 0.1) {
		t.Errorf("1x at %.3f degrees, made at %.0f; without the delay it would read %.1f off", p, phaseDeg, 360*hz*late)
	}
}
