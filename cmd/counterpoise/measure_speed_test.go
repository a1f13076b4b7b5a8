package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// speedKeys runs what the README shows of speed as a witness. A better speed
// may exist or not, so its kind is not compared.
func speedKeys(t *testing.T, speed, running string) {
	t.Helper()
	picture := filepath.Join(t.TempDir(), "sweep.svg")
	code, out, errText := invoke(t, "measure", "rig:bench-fan-soft", "--sweep", "--power-off", "--blades", "6", "--picture", picture, "--json")
	if code != 0 {
		t.Fatalf("measure --sweep --power-off: exit %d: %s", code, errText)
	}
	want, got := decode(t, speed), decode(t, out)
	for _, v := range []any{want, got} {
		delete(v.(map[string]any)["sweep"].(map[string]any), "better_rpm")
	}
	keys(t, "measure --sweep", want, got)
	if svg, err := os.ReadFile(picture); err != nil || !strings.HasPrefix(string(svg), "<svg") || strings.Contains(string(svg), "NaN") {
		t.Errorf("the picture of the sweep: %v", err)
	}
	code, out, errText = invoke(t, "survey", "--running", "rig:extractor-track", "--turns", "30", "--json")
	if code != 0 {
		t.Fatalf("survey --running: exit %d: %s", code, errText)
	}
	keys(t, "survey --running", decode(t, running), decode(t, out))
}

// Sources that cannot answer are refused with one sentence.
func TestSpeedRefusals(t *testing.T) {
	file := filepath.Join(t.TempDir(), "flat.csv")
	text := "x,tach\n"
	for i := range 4000 {
		text += []string{"0.1,0\n", "-0.1,0\n"}[i%2]
	}
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	steady := filepath.Join(t.TempDir(), "steady.csv")
	text = "x,tach\n"
	for i := range 8000 {
		x := []string{"0.1", "0.3", "-0.2", "0"}[i%4]
		text += x + map[bool]string{true: ",5\n", false: ",0\n"}[i%40 < 4]
	}
	if err := os.WriteFile(steady, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want []string
	}{
		{[]string{"measure", "file:" + file + "?rate=1000&channels=x&header=1", "--sweep"}, []string{"no tach"}},
		{[]string{"measure", "file:" + steady + "?rate=1000&tach=tach&channels=x&header=1", "--sweep"}, []string{"speed changed only"}},
		{[]string{"measure", "file:" + steady + "?rate=1000&tach=tach&channels=x&header=1", "--power-off"}, []string{"before the recording ended"}},
		{[]string{"survey", "--running", "file:" + steady + "?rate=1000&tach=tach&channels=x&header=1", "--channel", "q"}, []string{"there is no channel"}},
		{[]string{"survey", "--running", "rig:bench-fan"}, []string{"no distance sensor"}},
	} {
		code, out, errText := invoke(t, c.args...)
		refused(t, code, out, errText, c.want)
	}
}
