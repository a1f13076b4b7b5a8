// Package blades judges the geometry of a standing axial rotor before the
// first weight goes on: which blades stand out of the plane of the others
// (track), which stand at another angle (pitch), what that does to the once
// per revolution vibration, and which blades to straighten by how much.
//
// One blade out of track makes a couple, one blade at another pitch makes a
// rotating thrust moment and a rotating side force. Both show at exactly 1x and
// both grow with the square of the speed, so they look like unbalance; weights
// in one plane cannot remove them.
//
// # Signs
//
// Everything inside is in SI, angles in radians from the mark, positive with
// rotation, as package rotor says.
//
//	          flow, +z  --->
//	inlet   |                      track: where the blade stands along the
//	    LE  \                             shaft, + downstream
//	   ----- \ TE ---- rotor plane pitch: angle between chord and the plane of
//	          \                           rotation, + steeper
//	        |                      trailing minus leading edge = chord sin pitch
//
// A couple is C = sum m r z exp(i theta) in kg m^2, a static unbalance is
// U = sum m r exp(i theta) in kg m. The effect of pitch is given in the same
// units, divided by the square of the speed, because both grow alike.
//
// # What it cannot say
//
// The lift of a blade in a row is known to some 35 % and 30 degrees only, and
// not at all in stall; a scan over speed cannot tell pitch from mass; one
// sensor can always be nulled by one weight. The verdicts say so where it
// matters. The package does no input or output, reads no clock and starts
// nothing; its functions are safe for concurrent use.
package blades
