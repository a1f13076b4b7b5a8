// Package spectrum turns blocks into averaged spectra, band levels and peaks
// with a name and the reason for it. It needs no tach; where a speed is known
// the peaks are named by it. It reads no clock and starts no goroutine.
//
// # Which transform where
//
// Live spectra use gonum's dsp/fourier: it works in place of given memory
// without an allocation, and at the block lengths used here (2.56 times 400,
// 800, ... 6,400 lines, all powers of two) it agrees with a direct sum to 1e-15.
//
// Offline (Welch) is go-dsp's: with an even block length, no padding and a
// symmetric window it is scipy.signal.welch to 1e-9 (a test compares them). Its
// other options - padding, odd blocks, Scale_off - are not held against anything
// and not used; it does not remove a mean, so Offline does. A transform of it
// costs two dozen allocations and more time than gonum's (BenchmarkTransform),
// so it has no place in a live path. At prime lengths, where gonum falls back to
// a slow sum, go-dsp's Bluestein transform is the faster one. Its wav package is
// not used at all.
package spectrum
