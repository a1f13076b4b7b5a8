// Package running sees the blades while they run: a distance sensor (eddy,
// optical, ultrasonic) looks along the shaft at the passing blades, the mark says
// where the rotor stands, and averaging over turns gives every blade's height
// and the moment it passes, each with its uncertainty.
//
// The samples of many turns fall on different places of a blade; laid over one
// another by rotor angle they draw its profile far finer than the sampling of
// one turn. Between its two edges a blade is a straight slope; its height is
// what that slope reads midway between the edges. The slopes also tell how much
// each mark came early or late, which is taken out before the edges are drawn.
//
// What the blades do at speed differs from what a ruler reads at standstill:
// the centrifugal force straightens a soft blade, the air bends it. A common
// offset of all blades makes no vibration and is not judged.
//
// The package does no input or output, reads no clock and starts nothing.
package running
