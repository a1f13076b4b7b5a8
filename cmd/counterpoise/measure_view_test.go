package main

import (
	"math"
	"path/filepath"
	"strings"
	"testing"
)

// numpy's: 1x of 1 m/s^2 at 40.1 degrees, 0.6 m/s^2 two lines of a 3 s reading beside
// it, the supply at 49.97 Hz and twice that; and a rotor of 300 rpm.
const besideScript = `
import sys, numpy as np
d = sys.argv[1]
fs, f = 5120, 24.67
t = np.arange(fs*40)/fs
a = np.cos(2*np.pi*f*t+0.7) + 0.6*np.cos(2*np.pi*25.1634*t+1) + 0.3*np.cos(2*np.pi*49.97*2*t) + 0.2*np.cos(2*np.pi*49.97*t+2) + np.random.default_rng(1).normal(0, .05, len(t))
np.savetxt(d+'/beside.csv', np.c_[a, 5.0*((f*t)%1 < .1)], fmt='%.6f', delimiter=',', header='ax,tacho', comments='')
t = np.arange(2560*12)/2560
np.savetxt(d+'/slow.csv', np.c_[.003*np.cos(2*np.pi*5*t), 5.0*((5*t)%1 < .1)], fmt='%.6f', delimiter=',', header='v,tacho', comments='')
`

func TestMeasureBesideOthers(t *testing.T) {
	dir := t.TempDir()
	numpy(t, besideScript, dir)
	source := "file:" + filepath.Join(dir, "beside.csv") + "?rate=5120&tach=tacho&header=1&unit.ax=m/s^2"
	short := []string{source, "--quantity", "acceleration", "--for", "3"}
	one := func(args ...string) (measured, measuredOrder) {
		m := measureJSON(t, append(args, short...)...)
		return m, m.Channels[0].Orders[0]
	}
	m, o := one("--beside", "fan 4=25.1634")
	if m.Method != "joint" || !strings.Contains(m.Why, "fan 4") || !(math.Abs(o.Amplitude-math.Sqrt(0.5)) < 0.01) || !m.Trusted {
		t.Errorf("named: %s %s %+v %v", m.Method, m.Why, o, m.Flags)
	}
	if m, o = one("--weights", "equal"); m.Method != "equal" || !(math.Abs(o.Amplitude-math.Sqrt(0.5)) > 0.05) || !(*o.StandardError > 0.05) {
		t.Errorf("equal weights are not disturbed: %s %+v", m.Method, o)
	}
	if m, _ = one("--beside", "fan 4=24.7"); m.Trusted {
		t.Errorf("a neighbour a tenth of a line away is not told apart, yet trusted: %v", m.Flags)
	}
	m = measureJSON(t, source, "--beside", "line", "--spectrum", "--lines", "6400", "--averaging", "peak-hold", "--shape", "72", "--poles", "4")
	if !strings.Contains(strings.Join(m.Notes, " "), "estimated as 49.97") {
		t.Errorf("notes %v", m.Notes)
	}
	sp, sh := m.Channels[0].Spectrum, m.Channels[0].Shape
	if sp.Average != "peak-hold" || !(math.Abs(sp.StepHz-2560.0/16384) < 1e-9) || len(sp.Lines) != 6401 {
		t.Errorf("%s, step %v, %d lines", sp.Average, sp.StepHz, len(sp.Lines))
	}
	for i, v := range sh.Values {
		if want := math.Cos(2*math.Pi*float64(i)/72 + 0.7); sh.Turns < 900 || v == nil || !(math.Abs(*v-want) < 0.06) {
			t.Errorf("the turn at %d degrees: %v, want %.3f", 5*i, v, want)
		}
	}
	if m = measureJSON(t, source, "--spectrum", "--window", "flat-top"); m.Channels[0].Spectrum.Window != "flat-top" {
		t.Errorf("window %s", m.Channels[0].Spectrum.Window)
	}
	m = measureJSON(t, "file:"+filepath.Join(dir, "slow.csv")+"?rate=2560&tach=tacho&header=1&unit.v=m/s")
	if c := m.Channels[0]; c.BandHz[0] != 2 || !(math.Abs(*c.Overall/(3/math.Sqrt2)-1) < 0.03) {
		t.Errorf("300 rpm: %v mm/s from %v Hz on", *c.Overall, c.BandHz)
	}
	for _, bad := range [][]string{{"--window", "x"}, {"--averaging", "x"}, {"--lines", "500"}, {"--beside", "12"}, {"--beside", "a=-1"}, {"--weights", "x"},
		{"--overlap", "0.9"}, {"--top", "-1"}, {"--shape", "3"}} {
		if code, out, errs := runCommand(t, append([]string{"measure", source}, bad...)...); code == 0 || out != "" || !strings.Contains(errs, bad[0]) {
			t.Errorf("%v: %d %q %q", bad, code, out, errs)
		}
	}
}
