package spectrum

import (
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// reference is what scipy and numpy make of a signal that they themselves made.
type reference struct {
	X        []float64
	Live     []float64 // scipy.signal.welch, periodic Hann, linear detrend, as amplitude
	FlatTop  []float64
	Density  []float64 // scipy.signal.welch, symmetric Hann, half overlap
	GainHz   []float64
	Gain     []float64 // analog Butterworth high-pass times low-pass
	Prime    []float64 // |numpy.fft.rfft| of the first 1009 samples
	Overlap  int
	FlatHann []float64 // scipy.signal.windows.flattop(64, sym=False)
}

const referenceScript = `
import json, numpy as np
from scipy import signal
r = np.random.default_rng(20)
fs = 2560.0
n = 20480
t = np.arange(n)/fs
x = 1.3*np.cos(2*np.pi*250.7*t+0.4) + 0.2*np.cos(2*np.pi*33.3*t) + 0.1*r.standard_normal(n) + 4 + 0.05*t
x = x.astype(np.float32).astype(float)
hop = int(np.rint(1024*(1-0.67)))
ov = 1024-hop
def amp(win):
    f, p = signal.welch(x, fs, window=win, nperseg=1024, noverlap=ov, detrend='linear', scaling='spectrum')
    return np.sqrt(2*p)
f, d = signal.welch(x-x.mean(), fs, window=signal.windows.hann(512), nperseg=512, noverlap=256, detrend=False)
hz = np.array([3., 5, 8.6, 10, 12.5, 20, 40, 79.4, 160, 500, 800, 1000, 1163, 1400])
hp = signal.butter(3, 2*np.pi*8.6, 'highpass', analog=True)
lp = signal.butter(3, 2*np.pi*1000/0.86, 'lowpass', analog=True)
g = np.abs(signal.freqs(*hp, worN=2*np.pi*hz)[1])*np.abs(signal.freqs(*lp, worN=2*np.pi*hz)[1])
print(json.dumps(dict(X=x.tolist(), Live=amp('hann').tolist(), FlatTop=amp('flattop').tolist(), Density=d.tolist(),
  GainHz=hz.tolist(), Gain=g.tolist(), Prime=np.abs(np.fft.rfft(x[:1009])).tolist(), Overlap=ov,
  FlatHann=signal.windows.flattop(64, sym=False).tolist())))
`

// python runs a script with the system's numpy and scipy. Where they are not
// installed the test is skipped; a build that sets CI must have them.
func python(t *testing.T, script string, into any) {
	t.Helper()
	out, err := exec.Command("/usr/bin/python3", "-c", script).Output()
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the reference library did not run: %v", err)
		}
		t.Skipf("needs /usr/bin/python3 with numpy and scipy: %v", err)
	}
	if err := json.Unmarshal(out, into); err != nil {
		t.Fatal(err)
	}
}

func TestAgainstScipy(t *testing.T) {
	var ref reference
	python(t, referenceScript, &ref)
	setup := setupOf(2560, rotor.Velocity)
	for _, c := range []struct {
		w    Window
		want []float64
	}{{Hann, ref.Live}, {FlatTop, ref.FlatTop}} {
		a := New(Config{Lines: 400, Window: c.w})
		x := make([]float32, len(ref.X))
		for i, v := range ref.X {
			x[i] = float32(v)
		}
		for from := 0; from < len(x); from += 300 {
			a.Add(&acq.Block{Setup: setup, Tick: uint64(from), Samples: [][]float32{x[from:min(from+300, len(x))]}})
		}
		s := a.Latest()[0]
		for k := 1; k < len(s.Peak); k++ {
			if !(math.Abs(s.Peak[k]-c.want[k]) < 1e-6*1.3) {
				t.Fatalf("%v line %d: %v, scipy.signal.welch %v", c.w, k, s.Peak[k], c.want[k])
			}
		}
	}
	density, _, err := Offline(ref.X, 2560, 512)
	if err != nil {
		t.Fatal(err)
	}
	for k := range density {
		if !(math.Abs(density[k]-ref.Density[k]) < 1e-12+1e-9*ref.Density[k]) {
			t.Fatalf("Offline line %d: %v, scipy.signal.welch %v", k, density[k], ref.Density[k])
		}
	}
	f, _ := newBand(rotor.Velocity, rotor.Velocity, 10, 25600)
	for i, hz := range ref.GainHz {
		if g := f.gain(hz, 25600); !(math.Abs(g-ref.Gain[i]) < 1e-3 || hz > 1200 && math.Abs(g-ref.Gain[i]) < 0.01) {
			t.Errorf("%v Hz: gain %v, scipy.signal.butter %v", hz, g, ref.Gain[i])
		}
	}
	for i, v := range FlatTop.sampled(64) {
		if !(math.Abs(v-ref.FlatHann[i]) < 1e-12) {
			t.Fatalf("flat top %d: %v, scipy %v", i, v, ref.FlatHann[i])
		}
	}
	comparePrime(t, ref)
}
