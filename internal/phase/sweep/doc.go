// Package sweep reads a run-up or a coast-down: the order vectors of every turn
// against the speed it was made at. It fits what a few modes of vibration would
// answer, names their speeds and damping, and says how strongly the 1x vector
// depends on the speed where the machine runs - which decides whether it can be
// balanced there.
//
// # The model
//
// One mode k of natural frequency w_k and damping z_k answers a turning
// unbalance u exp(i phi) as
//
//	x'' + 2 z_k w_k x' + w_k^2 x = w^2 u exp(i phi),   w = phi'
//
// A real coast-down is seldom slow against the mode's own decay, so the
// envelope X of x = X exp(i phi) is carried through the speeds as they were
// measured; the steady response w^2 u/(w_k^2 - w^2 + 2 i z_k w_k w) (den Hartog,
// Mechanical Vibrations, 4th ed., section 2.11; from memory) is its limit for a
// slow sweep. Every channel has its own complex share in every mode, and two
// terms for what lies outside the sweep: a stiffness for the modes above (x ~
// w^2) and a mass line for those below, which is also what run-out looks like
// to a displacement probe (x constant).
//
// A mode that moves with the speed, as the gyroscopic moment of a wheel moves it,
// is fitted as one that stands still. Where a moving one fits better, what it would
// answer is part of the uncertainty.
//
// The package does no input or output, reads no clock and starts nothing.
package sweep
