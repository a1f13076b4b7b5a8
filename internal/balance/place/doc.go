// Package place turns a correction, a complex mass in kg at a plane's radius,
// into weights on the real rotor: on the blades or holes that exist, with the
// weights that lie in the box, within what a fastener may carry.
//
// "Least residual" alone is no useful aim, because more weights always win. The
// aim here is: fewest weights whose sum comes near enough, then the least
// residual, then the least mass; the trade-off between number and residual is
// returned beside the choice. The search is exact: every choice of up to five
// weights is covered, by meeting in the middle (see search.go), and where a
// search had to be cut off the answer says so and carries a proven bound.
//
// Angles are radians with rotation from the mark, masses kg, radii m, forces N,
// as package rotor defines them. A weight at a place of another radius counts by
// its moment: m r/R. All functions are pure.
package place
