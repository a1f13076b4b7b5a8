package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// sound writes interleaved samples of one function a channel.
func sound(seconds, rate float64, channels ...func(t float64) float64) []byte {
	var b bytes.Buffer
	for i := range int(seconds * rate) {
		for _, f := range channels {
			v := max(-1, min(1, f(float64(i)/rate)))
			binary.Write(&b, binary.LittleEndian, int16(math.Round(v*32767)))
		}
	}
	return b.Bytes()
}

// rustle is shared broadband motion that can be delayed by any time.
func rustle(rng *rand.Rand, top float64) func(t float64) float64 {
	var f, p [20]float64
	for i := range f {
		f[i], p[i] = top*(0.02+0.9*rng.Float64()), 2*math.Pi*rng.Float64()
	}
	return func(t float64) (v float64) {
		for i := range f {
			v += 0.02 * math.Cos(2*math.Pi*f[i]*t+p[i])
		}
		return v
	}
}

func delaysOf(t *testing.T, stdin []byte, args ...string) (answer map[string]any, extra map[string]float64) {
	t.Helper()
	var o, e bytes.Buffer
	if code := dispatch(t.Context(), env{bytes.NewReader(stdin), &o, &e}, append([]string{"delays", "--json"}, args...)); code != 0 {
		t.Fatalf("exit %d: %s", code, e.String())
	}
	answer, extra = decode(t, o.String()).(map[string]any), map[string]float64{}
	for _, c := range answer["channels"].([]any) {
		c := c.(map[string]any)
		extra[c["name"].(string)] = c["extra_us"].(float64)
	}
	return answer, extra
}

// TestDelaysByLoopback: the virtual fan's board states what it has, so nothing
// is left over; what was found ends in the station's file.
func TestDelaysByLoopback(t *testing.T) {
	file := filepath.Join(t.TempDir(), "station.toml")
	text := "[[station]]\nname = \"bench\"\nsource = \"rig:bench-fan\"\n\n[[station.channel]]\nname = \"DE-H\"\ndirection = \"horizontal\"\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r, port := rigOnPTY(t)
	if err := r.SetPace(6); err != nil {
		t.Fatal(err)
	}
	answer, extra := delaysOf(t, nil, "serial:"+port, "--into", file)
	for name, us := range extra {
		if !(math.Abs(us) < 3) {
			t.Errorf("%s lags %.2f us more than the rig states", name, us)
		}
	}
	got, err := os.ReadFile(file)
	var kept float64 // to a tenth of a microsecond, so is extra
	_, after, _ := strings.Cut(string(got), "direction = \"horizontal\"\n")
	if _, e := fmt.Sscanf(after, "delay_us = %f", &kept); err != nil || e != nil || !(math.Abs(kept-extra["DE-H"]) < 0.11) || len(extra) < 3 {
		t.Errorf("%v, %v: kept %.1f of %.2f us\n%s", err, e, kept, extra["DE-H"], got)
	}
	if k, _ := answer["kept"].(string); !strings.Contains(k, "bench") {
		t.Errorf("%v", answer)
	}
}

// TestDelaysAtOnePoint feeds a sound card: the second input is 130 us late, the
// sensor on it another 40 us, before and after the sensors were swapped.
func TestDelaysAtOnePoint(t *testing.T) {
	const rate, input, sensor = 44100, 130e-6, 40e-6
	motion := rustle(rand.New(rand.NewPCG(3, 3)), 8000)
	late := func(d float64) func(float64) float64 { return func(t float64) float64 { return motion(t - d) } }
	word := fmt.Sprintf("-?format=s16le&rate=%d&width=2", rate)
	first, extra := delaysOf(t, sound(1.5, rate, motion, late(input+sensor)), word, "--same-point")
	if !(math.Abs(extra["1"]-170) < 1) {
		t.Errorf("%v", extra)
	}
	saved := filepath.Join(t.TempDir(), "first.json")
	var o bytes.Buffer
	if code := dispatch(t.Context(), env{bytes.NewReader(sound(1.5, rate, motion, late(input+sensor))), &o, &o}, []string{"delays", "--json", "--same-point", word}); code != 0 {
		t.Fatal(o.String())
	}
	if err := os.WriteFile(saved, o.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	second, extra := delaysOf(t, sound(1.5, rate, late(sensor), late(input)), word, "--same-point", "--swapped", saved)
	lag := second["sensors"].(map[string]any)["lag_us"].(float64)
	if !(math.Abs(extra["1"]-130) < 1) || !(math.Abs(lag-40) < 1) {
		t.Errorf("input %v, sensor %.2f us; before %v", extra, lag, first["channels"])
	}
}

// TestDelaysBySpeeds: four recordings of one rotor, whose channel is 141 us late.
func TestDelaysBySpeeds(t *testing.T) {
	const rate, late = 8000, 141e-6
	dir := t.TempDir()
	var words []string
	rng := rand.New(rand.NewPCG(9, 9))
	for _, hz := range []float64{15.2, 19.1, 24.3, 30.7} {
		at := func(t float64) float64 {
			return 0.5*math.Cos(2*math.Pi*hz*(t-late)-1.1) + 0.005*rng.NormFloat64()
		}
		pulse := func(t float64) float64 { // rises in 2 ms, half way up at the passing, and falls slowly
			x := math.Remainder(t, 1/hz)
			if x > 0.005 {
				return 0.8 * max(0, 1-(x-0.005)/0.003)
			}
			return 0.8 * max(0, min(1, 0.5+x/0.002))
		}
		name := filepath.Join(dir, fmt.Sprintf("%.0f.s16le", hz))
		if err := os.WriteFile(name, sound(12, rate, at, pulse), 0o600); err != nil {
			t.Fatal(err)
		}
		words = append(words, "file:"+name+fmt.Sprintf("?format=s16le&rate=%d&width=2&tach=1&threshold=0.4", rate))
	}
	answer, extra := delaysOf(t, nil, append([]string{"--speeds"}, words...)...)
	c := answer["channels"].([]any)[0].(map[string]any)
	if !(math.Abs(extra["0"]-141) < 2) || !(math.Abs(c["angle_deg"].(float64)+1.1*180/math.Pi) < 0.2) {
		t.Errorf("%v", answer)
	}
	code, out, errText := invoke(t, append([]string{"delays", "--speeds"}, words[:2]...)...)
	refused(t, code, out, errText, []string{"2 speeds", "3 are needed"})
}

func TestDelaysThatCannotBeMeasured(t *testing.T) {
	dir := t.TempDir()
	silence := filepath.Join(dir, "silence.s16le")
	zero := func(float64) float64 { return 0 }
	if err := os.WriteFile(silence, sound(3, 2000, zero, zero), 0o600); err != nil {
		t.Fatal(err)
	}
	word := "file:" + silence + "?rate=2000&width=2"
	other := filepath.Join(dir, "other.json")
	if err := os.WriteFile(other, []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	own := filepath.Join(dir, "own.toml")
	if err := os.WriteFile(own, []byte("[[station]]\nname = \"a\"\nsource = \"serial:/dev/x?delay.A0=0.0005\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want []string
	}{
		{[]string{"rig:bench-fan", "--into", filepath.Join(dir, "none.toml")}, []string{"none.toml"}},
		{[]string{"rig:bench-fan", "--into", own}, []string{"delay.NAME=", "station \"a\""}},
		{[]string{word}, []string{"recording", "--same-point"}},
		{[]string{word, "--same-point"}, []string{"does not show", "one point"}},
		{[]string{word, "--same-point", "--swapped", other}, []string{"other.json", "before the swap"}},
		{[]string{word, "--speeds", "--same-point"}, []string{"choose one"}},
		{[]string{"--speeds"}, []string{"three"}},
		{nil, []string{"name one source"}},
		{[]string{"rig:bench-fan", "--station", "x"}, []string{"--into"}},
	} {
		code, out, errText := invoke(t, append([]string{"delays"}, c.args...)...)
		refused(t, code, out, errText, c.want)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	var o, e bytes.Buffer
	if code := dispatch(ctx, env{nil, &o, &e}, []string{"delays", "rig:bench-fan"}); code == 0 {
		t.Error("a cancelled command succeeded")
	}
}

// TestDelaysAnswerIsDocumented: the keys of the answer stand in hw/README.md.
func TestDelaysAnswerIsDocumented(t *testing.T) {
	page, err := os.ReadFile("../../hw/README.md")
	if err != nil {
		t.Fatal(err)
	}
	shown := fenced(string(page), "json")
	if len(shown) != 1 {
		t.Fatalf("%d JSON blocks in hw/README.md", len(shown))
	}
	f := 0.0
	b, _ := json.Marshal(delaysAnswer{Kept: "x", Sensors: &sensorLag{}, Channels: []channelDelay{{CornerHz: &f, Corner95: &f, Notes: []string{"x"}}}})
	example := strings.Replace(shown[0], `"notes": []`, `"notes": ["x"]`, 1)
	keys(t, "delays", decode(t, example), decode(t, string(b)))
	keys(t, "delays", decode(t, string(b)), decode(t, example))
}
