package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The signal is numpy's and scipy's: 1x of 1.21 mm/s rms at 63.1 degrees lead,
// harmonics, gravity and noise, with a tach pulse whose edge is a ramp.
const signalScript = `
import sys, numpy as np
from scipy.io import wavfile
d = sys.argv[1]
fs, f = 25000, 24.67
n = fs*6
t = np.arange(n)/fs
turn = f*t + 0.3
ph = 2*np.pi*turn
w = 2*np.pi*f
v = 1.21e-3*np.sqrt(2)
a = -w*v*np.sin(ph+np.deg2rad(63.1)) - 2*w*0.4e-3*np.sin(2*ph+1) + np.random.default_rng(1).normal(0, .02, n)
frac = np.mod(turn, 1)
step = f/fs
tach = 5*np.clip((frac+step/2)/step, 0, 1)*(frac < 0.05) + 5*np.clip((frac-1+step/2)/step, 0, 1)*(frac > 0.5)
np.savetxt(d+'/run.csv', np.c_[a+9.81, tach], fmt='%.6f', delimiter=',', header='ax,tacho', comments='')
np.savetxt(d+'/words.csv', np.c_[a[:50]], fmt='%.6f,x', delimiter=',', header='ax,b', comments='')
wavfile.write(d+'/run.wav', fs, np.c_[a/20, tach/10].astype(np.float32))
wavfile.write(d+'/run16.wav', fs, np.round(np.c_[a/20, tach/10]*32767).astype(np.int16))
`

func numpy(t *testing.T, script string, args ...string) {
	t.Helper()
	out, err := exec.Command("/usr/bin/python3", append([]string{"-c", script}, args...)...).CombinedOutput()
	if err == nil {
		return
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("the reference library did not run: %v\n%s", err, out)
	}
	t.Skipf("needs /usr/bin/python3 with numpy and scipy: %v", err)
}

// run runs one command as main does and returns what it wrote.
func runCommand(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = dispatch(context.Background(), env{strings.NewReader(""), &out, &errs}, args)
	return code, out.String(), errs.String()
}

func measureJSON(t *testing.T, args ...string) measured {
	t.Helper()
	code, out, errs := runCommand(t, append([]string{"measure", "--json"}, args...)...)
	var m measured
	if err := json.Unmarshal([]byte(out), &m); code != 0 || err != nil {
		t.Fatalf("measure %v: code %d, %v, %s", args, code, err, errs)
	}
	return m
}

func TestMeasureWhatNumpyMade(t *testing.T) {
	dir := t.TempDir()
	numpy(t, signalScript, dir)
	csv := "file:" + filepath.Join(dir, "run.csv") + "?rate=25000&tach=tacho&channels=ax&header=1&unit.ax=m/s^2&threshold=2.5"
	wav := "file:" + filepath.Join(dir, "run.wav") + "?tach=1&channels=0&scale.0=20&unit.0=m/s^2&threshold=0.25"
	pcm := "file:" + filepath.Join(dir, "run16.wav") + "?tach=1&channels=0&scale.0=20&unit.0=m/s^2&threshold=0.25"
	for _, source := range []string{csv, wav, pcm} {
		m := measureJSON(t, source, "--orders", "1,2")
		if m.SpeedRPM == nil || !(math.Abs(*m.SpeedRPM-24.67*60) < 0.01) || m.Revolutions < 140 || m.Dropped != 0 || !m.Trusted {
			t.Errorf("%s: %+v", source, m)
			continue
		}
		c := m.Channels[0]
		one, two := c.Orders[0], c.Orders[1]
		if c.Unit != "mm/s" || c.Detector != "rms" || !(math.Abs(one.Amplitude-1.21) < 0.003) || one.PhaseDeg == nil || !(math.Abs(*one.PhaseDeg-63.1) < 0.15) {
			t.Errorf("%s: 1x %+v", source, one)
		}
		if !(math.Abs(two.Amplitude-0.4/math.Sqrt2) < 0.003) || two.PhaseDeg == nil || !(math.Abs(*two.PhaseDeg-180/math.Pi) < 0.5) {
			t.Errorf("%s: 2x %+v", source, two)
		}
		// 1.21 and 0.283 mm/s together, less a thousandth at the band's edge
		if want := math.Hypot(1.21, 0.4/math.Sqrt2); c.Overall == nil || !(math.Abs(*c.Overall-want) < 0.005) {
			t.Errorf("%s: overall %v, want %v", source, *c.Overall, want)
		}
	}
	with, against := measureJSON(t, csv), measureJSON(t, "--convention", "against-rotation", csv)
	a, b := *with.Channels[0].Orders[0].PhaseDeg, *against.Channels[0].Orders[0].PhaseDeg
	if !(math.Abs(a+b-360) < 1e-6) {
		t.Errorf("phases %v and %v are not each other's mirror", a, b)
	}
	acc := measureJSON(t, csv, "--quantity", "acceleration")
	if c := acc.Channels[0]; c.Unit != "m/s^2" || !(math.Abs(c.Orders[0].Amplitude-1.21e-3*2*math.Pi*24.67) < 1e-3) {
		t.Errorf("acceleration %+v", c)
	}
	piece := measureJSON(t, csv, "--from", "1", "--for", "2", "--spectrum")
	if piece.Revolutions < 46 || piece.Revolutions > 49 || piece.Channels[0].Spectrum == nil {
		t.Errorf("a piece of 2 s: %d revolutions", piece.Revolutions)
	} else if p := piece.Channels[0].Spectrum.Peaks; len(p) == 0 || p[0].Name != "1x" || !(math.Abs(p[0].Hz-24.67) < 0.02) {
		t.Errorf("peaks %+v", p)
	}
	none := measureJSON(t, "file:"+filepath.Join(dir, "run.csv")+"?rate=25000&channels=ax&header=1&unit.ax=m/s^2")
	if none.SpeedRPM != nil || len(none.Channels[0].Orders) != 0 || none.Channels[0].Overall == nil {
		t.Errorf("without tach: %+v", none)
	}
	for _, bad := range [][]string{
		{"measure", "--orders", "1", "file:" + filepath.Join(dir, "run.csv") + "?rate=25000&channels=ax&header=1"},
		{"measure", "--from", "100", csv},
		{"measure", "file:" + filepath.Join(dir, "words.csv") + "?rate=25000&header=1"},
		{"measure", "--orders", "0", csv},
		{"measure", "--convention", "sideways", csv},
		{"measure"},
	} {
		code, out, errs := runCommand(t, bad...)
		if code == 0 || out != "" || strings.TrimSpace(errs) == "" || strings.Contains(errs, "goroutine") {
			t.Errorf("%v: code %d, %q, %q", bad, code, out, errs)
		}
	}
}

// Recordings that others made with a phone on a motor without and with weights
// (repository MRecio/Acoustic-and-Vibration-Fault-Detection-in-Rotating-
// Machines-Test-Results, Motor_2, Apache-2.0; they are not carried here): 1x at
// 24.9 and 9.9 Hz, growing with the weights, and time stamps that come in
// batches and must not be believed.
func TestPhoneRecordings(t *testing.T) {
	dir := "../../../shared/data/motor-phone"
	if _, err := os.Stat(dir); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the recordings are needed here: %v", err)
		}
		t.Skipf("the recordings are not in this clone: %v", err)
	}
	for _, c := range []struct {
		supply string
		hz     float64
		want   [3]float64 // 1x over three axes, m/s^2 peak: none, 2, 4 weights, as computed from these files by others
	}{{"50Hz", 24.9, [3]float64{0.167, 0.574, 1.574}}, {"20Hz", 9.9, [3]float64{0.034, 0.148, 0.088}}} {
		before := 0.0
		for i, weights := range []string{"healthy", "2w", "4w"} {
			name := filepath.Join(dir, "motor2_"+weights+"_"+c.supply+".csv")
			m := measureJSON(t, "file:"+name+"?time=t_ms&time_unit=ms&channels=x_ms2,y_ms2,z_ms2&header=1&unit.x_ms2=m/s^2&unit.y_ms2=m/s^2&unit.z_ms2=m/s^2",
				"--spectrum", "--quantity", "acceleration")
			if !strings.Contains(strings.Join(m.Notes, " "), "batch") {
				t.Errorf("%s: the batched time stamps went unnoticed: %v", name, m.Notes)
			}
			hz, sum := 0.0, 0.0
			for _, ch := range m.Channels {
				best := 0.0
				for k, v := range ch.Spectrum.Lines {
					if f := float64(k) * ch.Spectrum.StepHz; math.Abs(f-c.hz) < 0.6 && v > best {
						best, hz = v, f
					}
				}
				sum += 2 * best * best // rms to peak
			}
			got := math.Sqrt(sum)
			t.Logf("%s %s: 1x near %.2f Hz, %.3f m/s^2 (others: %.3f)", c.supply, weights, hz, got, c.want[i])
			if !(math.Abs(hz-c.hz) < 0.5) || !(got > 0.5*c.want[i] && got < 1.6*c.want[i]) {
				t.Errorf("%s: 1x %.2f Hz, %.3f m/s^2; want near %v Hz, %v", name, hz, got, c.hz, c.want[i])
			}
			// At 20 Hz, far below what shakes the frame, four weights gave less than two.
			if c.supply == "50Hz" && !(got > 2*before) {
				t.Errorf("%s: 1x of %.3f m/s^2 did not grow with the weights: %.3f before", name, got, before)
			}
			before = got
		}
	}
}
