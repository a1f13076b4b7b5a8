// Package rig is the virtual fan: a plant of our own invention that answers on
// a wire exactly as a board on a real fan would. It exists so that the whole
// program can be run, shown and tried without a rotor; it proves that the
// program agrees with itself, never that it agrees with the world.
//
// # The plant
//
// A rigid body of rotor and frame stands on two springs and dampers. It has
// four degrees of freedom about its centre of gravity, with z along the shaft,
// positive downstream, x horizontal and y vertical:
//
//	x(z) = x + al z        y(z) = y + ga z
//
//	m x''               + sum [c x'(z) + k x(z)]   = fx
//	Id al'' + Ip Om ga' + sum z [c x'(z) + k x(z)] = gx
//	m y''               + sum [c y'(z) + k y(z)]   = fy
//	Id ga'' - Ip Om al' + sum z [c y'(z) + k y(z)] = gy
//
// What excites it: unbalance in any plane, blades out of track (a couple),
// blades at another pitch (a turning thrust moment and a turning side force),
// the motor's pull at twice the line frequency, the blades passing an obstacle,
// and noise. Sensors, converter and tachometer have the faults of real ones.
//
// Angles and phasors are those of package rotor: a heavy spot at angle a pulls
// in x with cos(phi + a), phi being the rotor angle since the mark passed the
// tach. All values are SI.
//
// Left out: the little that fitted weights add to mass and inertia, the pull of
// an unbalance along its path while the speed changes, bending of the shaft,
// supports that are not linear, and air beyond stall.
//
// # The board
//
// The rig speaks tickline over a pseudo-terminal, over TCP, or over any
// connection that is handed to it. It greets, starts and stops when it is told
// to. A cable can be pulled and bytes can be spoilt. Its clock may outrun the
// wall clock; every value depends on the clock of the board alone.
//
// Weights and blades can be changed only while the rotor stands still with the
// supply off, as on a real rotor.
//
// A Rig is safe for concurrent use. Its one goroutine ends with the context
// that it was served with.
package rig
