package phase

import "golang.org/x/sys/cpu"

// hasWide reports whether the processor can run the wide kernel.
var hasWide = cpu.X86.HasAVX2 && cpu.X86.HasFMA

// sumAVX2 sums consecutive sectors of groups[s] groups each.
//
//go:noescape
func sumAVX2(x *float32, groups *int, sectors int, tab *[2 * wide]float32, qr, qi float64, out *product) (peak float32)
