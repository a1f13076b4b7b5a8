//go:build !amd64

package phase

const hasWide = false

func sumAVX2(*float32, *int, int, *[2 * wide]float32, float64, float64, *product) (peak float32) {
	panic("the wide kernel exists on amd64 only")
}
