package spectrum

import (
	"math"
	"math/cmplx"
	"testing"

	gofft "github.com/mjibson/go-dsp/fft"
	"github.com/mjibson/go-dsp/spectral"
	"github.com/mjibson/go-dsp/window"
	"gonum.org/v1/gonum/dsp/fourier"
)

// comparePrime holds both Go libraries against numpy at a prime length.
func comparePrime(t *testing.T, ref reference) {
	x := ref.X[:1009]
	a := gofft.FFTReal(x)
	b := fourier.NewFFT(len(x)).Coefficients(nil, x)
	for k, want := range ref.Prime {
		if !(math.Abs(cmplx.Abs(a[k])-want) < 1e-8) || !(math.Abs(cmplx.Abs(b[k])-want) < 1e-8) {
			t.Fatalf("bin %d: go-dsp %v, gonum %v, numpy %v", k, cmplx.Abs(a[k]), cmplx.Abs(b[k]), want)
		}
	}
}

// Why live spectra are gonum's and Offline is go-dsp's: they agree where both
// are right.
func TestWhereTheLibrariesAgree(t *testing.T) {
	x := make([]float64, 4096)
	for i := range x {
		x[i] = math.Cos(2*math.Pi*200*float64(i)/4096) + 0.3*math.Sin(float64(i*i%97))
	}
	a, b := gofft.FFTReal(x[:1024]), fourier.NewFFT(1024).Coefficients(nil, x[:1024])
	for k := range b {
		if !(cmplx.Abs(a[k]-b[k]) < 1e-10) {
			t.Fatalf("bin %d: go-dsp %v, gonum %v", k, a[k], b[k])
		}
	}
	right := 0.0
	p, f := spectral.Pwelch(x, 1, &spectral.PwelchOptions{NFFT: 512, Noverlap: 256, Window: window.Hann})
	for _, v := range p {
		right += v * (f[1] - f[0])
	}
	power := 0.0
	for _, v := range x {
		power += v * v / float64(len(x))
	}
	if !(math.Abs(right/power-1) < 0.02) {
		t.Errorf("used as Offline does, go-dsp finds %.3f of the power", right/power)
	}
}

func TestOfflineRefusesWhatGoesWrong(t *testing.T) {
	for _, c := range []struct {
		n, block int
		rate     float64
	}{{100, 33, 1}, {100, 128, 1}, {100, 0, 1}, {100, 64, 0}, {100, 64, math.Inf(1)}} {
		if _, _, err := Offline(make([]float64, c.n), c.rate, c.block); err == nil {
			t.Errorf("%+v was accepted", c)
		}
	}
}

const benchLine = 1024

func BenchmarkTransform(b *testing.B) {
	x := make([]float64, benchLine)
	for i := range x {
		x[i] = math.Sin(float64(i))
	}
	b.Run("gonum", func(b *testing.B) {
		f, c := fourier.NewFFT(benchLine), make([]complex128, benchLine/2+1)
		b.ReportAllocs()
		for b.Loop() {
			f.Coefficients(c, x)
		}
	})
	b.Run("go-dsp", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			gofft.FFTReal(x)
		}
	})
}
