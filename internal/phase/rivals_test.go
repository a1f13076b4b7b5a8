//go:build unix

package phase

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	gofft "github.com/mjibson/go-dsp/fft"
	"gonum.org/v1/gonum/dsp/fourier"
)

// goDSP and gonumFFT are what a program does that transforms a turn of 1,024
// samples and takes amplitude and phase of its first line.
func goDSP(x []float64) {
	c := gofft.FFTReal(x)
	benchSink += float32(math.Hypot(real(c[1]), imag(c[1])) + math.Atan2(imag(c[1]), real(c[1])))
}

func gonumFFT() func([]float64) {
	f, c := fourier.NewFFT(1024), make([]complex128, 513)
	return func(x []float64) {
		f.Coefficients(c, x)
		benchSink += float32(math.Hypot(real(c[1]), imag(c[1])) + math.Atan2(imag(c[1]), real(c[1])))
	}
}

// outside starts a program that answers each line with its processor time in ns
// for each sample of one more pass.
func outside(b *testing.B, name string, args ...string) (pass func() float64) {
	b.Helper()
	cmd := exec.CommandContext(b.Context(), name, args...)
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		missing(b, "%s did not start: %v", name, err)
	}
	b.Cleanup(func() { in.Close(); cmd.Wait() })
	return func() (ns float64) {
		fmt.Fprintln(in)
		if _, err := fmt.Fscan(out, &ns); err != nil {
			missing(b, "%s did not run (FFTW needs libfftw3-dev, the average python3-numpy): %v", name, err)
		}
		return ns
	}
}

func missing(b *testing.B, format string, args ...any) {
	b.Helper()
	if os.Getenv("CI") == "true" {
		b.Fatalf(format, args...)
	}
	b.Skipf(format, args...)
}

// Turns of unequal length have to be resampled to angle before they can be
// averaged: that is what a vectorised numpy program does.
const numpyAverage = `
import numpy as np, sys, time
n, turn = 1<<22, 1020.7
x = np.random.default_rng(1).standard_normal(n).astype(np.float32)
e = np.arange(0.3, n-turn, turn)
for _ in sys.stdin:
    t = time.process_time()
    at = (e[:-1, None] + (e[1:]-e[:-1])[:, None]*np.arange(1024)/1024).ravel()
    y = np.interp(at, np.arange(n), x).reshape(-1, 1024)
    v = y @ np.exp(-2j*np.pi*np.arange(1024)/1024) * 2/1024
    a, p = np.abs(v), np.angle(v)
    print((time.process_time()-t)*1e9/n, flush=True)
`

const fftwSource = `
#include <fftw3.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
int main(void) {
	enum { n = 1 << 24, m = 1024 };
	float *x = malloc(n * sizeof *x), *in = fftwf_malloc(m * sizeof *in);
	fftwf_complex *out = fftwf_malloc((m / 2 + 1) * sizeof *out);
	for (int i = 0; i < n; i++) x[i] = sinf(i * 0.006f);
	fftwf_plan p = fftwf_plan_dft_r2c_1d(m, in, out, FFTW_MEASURE);
	volatile double sink = 0;
	while (getchar() == '\n') {
		clock_t t = clock();
		for (int i = 0; i + m <= n; i += m) {
			for (int k = 0; k < m; k++) in[k] = x[i + k];
			fftwf_execute(p);
			sink += hypotf(out[1][0], out[1][1]) + atan2f(out[1][1], out[1][0]);
		}
		printf("%g\n", (double)(clock() - t) / CLOCKS_PER_SEC * 1e9 / n);
		fflush(stdout);
	}
	return 0;
}
`

func fftwProgram(b *testing.B) string {
	b.Helper()
	dir := b.TempDir()
	source, program := filepath.Join(dir, "rival.c"), filepath.Join(dir, "rival")
	if err := os.WriteFile(source, []byte(fftwSource), 0o600); err != nil {
		b.Fatal(err)
	}
	if out, err := exec.Command("gcc", "-O3", "-march=native", "-o", program, source, "-lfftw3f", "-lm").CombinedOutput(); err != nil {
		missing(b, "FFTW needs gcc and libfftw3-dev: %v\n%.200s", err, out)
	}
	return program
}
