package web

import (
	"math"
	"math/rand/v2"

	"counterpoise/internal/rig"
)

// blader is a virtual fan whose blades can be measured.
type blader interface{ Describe() rig.Description }

// rulerSD is how well the virtual ruler is read, in mm: a careful hand.
const rulerSD = 0.1

// ruler is what a person reads who holds a ruler from a fixed pointer on the
// inlet side to blade number n of the virtual fan: leading and trailing edge at
// the tip, mm, to a tenth. Each visit reads a little differently.
func ruler(f Fan, n, visit int) (leading, trailing float64, ok bool) {
	d, can := f.(blader)
	blades := f.State().Blades
	if !can || n < 1 || n > len(blades) {
		return 0, 0, false
	}
	m, b := d.Describe(), blades[n-1]
	half := m.Chord / 2 * math.Sin(m.Stagger+b.Pitch) * 1e3
	rng := rand.New(rand.NewPCG(uint64(n), uint64(visit)))
	read := func(v float64) float64 { return math.Round((v+rulerSD*rng.NormFloat64())*10) / 10 }
	const pointer = 100 // mm from the pointer to the plane of the blades
	middle := pointer + b.Track*1e3
	return read(middle - half), read(middle + half), true
}
