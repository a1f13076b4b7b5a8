//go:build unix

package phase

import (
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	gofft "github.com/mjibson/go-dsp/fft"
	"gonum.org/v1/gonum/dsp/fourier"
)

// The same samples through general tools: a transform per turn of 1,024 samples
// and the amplitude and phase of its first line, or numpy's synchronous average.
// Compare with BenchmarkSpeed in the same run.
func BenchmarkRivals(b *testing.B) {
	bs := benchBlocks(4, 1024, 1024)[:1024] // 4 Mi samples: the slow ones take long enough
	const n = 1024 * 4 * 1024
	each := func(b *testing.B, do func(x []float64)) {
		x := make([]float64, 1024)
		var spent float64
		for b.Loop() {
			from := cpuTime()
			for _, k := range bs {
				for _, s := range k.Samples {
					for i, v := range s {
						x[i] = float64(v)
					}
					do(x)
				}
			}
			spent += cpuTime() - from
		}
		b.ReportMetric(spent/float64(b.N)/n, "cpu-ns/sample")
	}
	b.Run("go-dsp FFT", func(b *testing.B) {
		each(b, func(x []float64) {
			c := gofft.FFTReal(x)
			benchSink += float32(math.Hypot(real(c[1]), imag(c[1])) + math.Atan2(imag(c[1]), real(c[1])))
		})
	})
	b.Run("gonum FFT", func(b *testing.B) {
		f, c := fourier.NewFFT(1024), make([]complex128, 513)
		each(b, func(x []float64) {
			f.Coefficients(c, x)
			benchSink += float32(math.Hypot(real(c[1]), imag(c[1])) + math.Atan2(imag(c[1]), real(c[1])))
		})
	})
	b.Run("numpy synchronous average", func(b *testing.B) { outside(b, "/usr/bin/python3", "-c", numpyAverage) })
	b.Run("FFTW", func(b *testing.B) { outside(b, fftwProgram(b)) })
}

// outside runs a program that prints its processor time in ns per sample.
func outside(b *testing.B, name string, args ...string) {
	b.Helper()
	var ns float64
	for b.Loop() {
		out, err := exec.Command(name, args...).Output()
		if err != nil {
			missing(b, "%s did not run: %v", name, err)
		}
		if err := json.Unmarshal(out, &ns); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(ns, "cpu-ns/sample")
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
import numpy as np, time
n, turn = 1<<22, 1020.7
x = np.random.default_rng(1).standard_normal(n).astype(np.float32)
e = np.arange(0.3, n-turn, turn)
best = 1e9
for k in range(3):
    t = time.process_time()
    at = (e[:-1, None] + (e[1:]-e[:-1])[:, None]*np.arange(1024)/1024).ravel()
    y = np.interp(at, np.arange(n), x).reshape(-1, 1024)
    v = y @ np.exp(-2j*np.pi*np.arange(1024)/1024) * 2/1024
    a, p = np.abs(v), np.angle(v)
    best = min(best, time.process_time()-t)
print(best*1e9/n)
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
	clock_t t = clock();
	for (int i = 0; i + m <= n; i += m) {
		for (int k = 0; k < m; k++) in[k] = x[i + k];
		fftwf_execute(p);
		sink += hypotf(out[1][0], out[1][1]) + atan2f(out[1][1], out[1][0]);
	}
	printf("%g\n", (double)(clock() - t) / CLOCKS_PER_SEC * 1e9 / n);
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
