package phase

import "golang.org/x/sys/cpu"

// hasWide reports whether the processor can run the wide kernel.
var hasWide = cpu.X86.HasAVX2 && cpu.X86.HasFMA

//go:noescape
func sumAVX2(x *float32, groups int, tab *[2 * wide]float32, rr, ri, qr, qi float64) (dc, re, im, r, i float64, peak float32)
