package phase

import (
	"encoding/json"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// General reference libraries on signals that they make themselves. At a whole
// number of samples a turn their transform over whole turns is the least-squares
// answer, so the equal-weighted reading must agree with it far inside the noise.

// library is a record of whole turns as a library made it, and the phasors that
// it reads at orders 1, 2 and 3, counted from the first sample.
type library struct {
	PerTurn, Turns int
	Sigma          float64
	X              []float64
	Orders         [][2]float64
}

const numpyRecord = `
import json, numpy as np
r = np.random.default_rng(7)
m, k, s = 36, 50, 0.3
i = np.arange(m*k)
th = 2*np.pi*i/m
x = np.cos(th+0.8) + 0.5*np.cos(2*th-2) + 0.1*np.cos(3*th) + 4 + s*r.standard_normal(m*k)
x = x.astype(np.float32).astype(float)
c = np.fft.rfft(x)*2/(m*k)
print(json.dumps(dict(PerTurn=m, Turns=k, Sigma=s, X=x.tolist(), Orders=[[c[k*n].real, c[k*n].imag] for n in (1, 2, 3)])))
`

const fftwRecord = `
#include <fftw3.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
int main(void) {
	enum { m = 128, k = 37, n = m * k };
	const double s = 0.2;
	double *x = fftw_malloc(n * sizeof *x);
	fftw_complex *out = fftw_malloc((n / 2 + 1) * sizeof *out);
	fftw_plan p = fftw_plan_dft_r2c_1d(n, x, out, FFTW_ESTIMATE);
	srand(7);
	for (int i = 0; i < n; i++) {
		double th = 2 * M_PI * i / m, u = 0;
		for (int q = 0; q < 12; q++) u += rand() / (RAND_MAX + 1.0);
		x[i] = (float)(2 * cos(th - 1.1) + 0.3 * cos(2 * th + 3) + 0.7 * cos(3 * th + 0.2) - 1 + s * (u - 6));
	}
	printf("{\"PerTurn\":%d,\"Turns\":%d,\"Sigma\":%g,\"X\":[", m, k, s);
	for (int i = 0; i < n; i++) printf("%s%.9g", i ? "," : "", x[i]);
	fftw_execute(p);
	printf("],\"Orders\":[");
	for (int q = 1; q <= 3; q++) printf("%s[%.17g,%.17g]", q > 1 ? "," : "", out[q * k][0] * 2 / n, out[q * k][1] * 2 / n);
	printf("]}\n");
	return 0;
}
`

// needs skips a test whose reference library is missing, and fails it in CI.
func needs(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

func TestAgainstNumpyFFT(t *testing.T) {
	out, err := exec.Command("/usr/bin/python3", "-c", numpyRecord).Output()
	if err != nil {
		needs(t, "needs /usr/bin/python3 with numpy: %v", err)
	}
	against(t, out)
}

func TestAgainstFFTW(t *testing.T) {
	dir := t.TempDir()
	source, program := filepath.Join(dir, "record.c"), filepath.Join(dir, "record")
	if err := os.WriteFile(source, []byte(fftwRecord), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("gcc", "-O2", "-o", program, source, "-lfftw3", "-lm").CombinedOutput(); err != nil {
		needs(t, "needs gcc and libfftw3-dev: %v\n%.200s", err, out)
	}
	out, err := exec.Command(program).Output()
	if err != nil {
		t.Fatal(err)
	}
	against(t, out)
}

func against(t *testing.T, answer []byte) {
	t.Helper()
	var ref library
	if err := json.Unmarshal(answer, &ref); err != nil {
		t.Fatal(err)
	}
	n := ref.PerTurn * ref.Turns
	if len(ref.X) != n || len(ref.Orders) != 3 {
		t.Fatalf("%d samples, %d orders", len(ref.X), len(ref.Orders))
	}
	// A turn before and after, which no accepted turn touches: edges stand half a
	// sample before the first sample of a turn, so that turns hold whole samples.
	setup := oneChannel(25 * float64(ref.PerTurn))
	var x []float32
	for i := -ref.PerTurn; i < n+ref.PerTurn; i++ {
		x = append(x, float32(ref.X[(i+n)%n]))
	}
	var edges []float64
	for k := 1; k <= ref.Turns+1; k++ {
		edges = append(edges, float64(k*ref.PerTurn)-0.5)
	}
	e, a := NewExtractor(Config{Orders: []int{1, 2, 3}}), NewAverage(AverageConfig{Method: Equal})
	extract(e, blocks(setup, [][]float32{x}, edges, 500), a.Add)
	r := a.Reading()
	if r.Turns != ref.Turns {
		t.Fatalf("%d turns, want %d; dropped %v", r.Turns, ref.Turns, e.Dropped())
	}
	bound := ref.Sigma * math.Sqrt(2/float64(n)) // Cramer and Rao, one axis
	for k, o := range r.Channels[0].Orders {
		want := complex(ref.Orders[k][0], ref.Orders[k][1]) * cmplx.Rect(1, -math.Pi/float64(ref.PerTurn)*float64(o.Order))
		d := apart(o.Value, want) / bound
		t.Logf("order %d: %.6f, the library %.6f: %.3f bounds apart", o.Order, o.Value, want, d)
		if !(d < 0.2) {
			t.Errorf("order %d: %v, the library %v: %.3g bounds apart", o.Order, o.Value, want, d)
		}
	}
}
