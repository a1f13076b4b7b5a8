// Package rotor holds the plain values of the trade: phasors and their
// covariance, the one angle convention, units, correction planes, weights and
// the description of a machine. Everything above speaks in these values and in
// SI; people's units and people's way of counting angles exist only here, at
// the edge, so that no two parts of the program can disagree about them.
//
// # Angles
//
// Inside the program a rotor angle is in radians, counted from the reference
// mark and positive in the direction of rotation:
//
//	     mark 0
//	       |
//	+a  .--+--.        the rotor turns this way:  <---  (anticlockwise
//	  /    |    \                                        in this drawing)
//	 |     o     |
//	  \         /      a weight at +a stands a radians ahead of the mark,
//	    '-----'        so it passes a fixed point before the mark does
//
// # Phase
//
// A vibration x(t) at once per revolution is written
//
//	x = Re( V exp(i phi) ),   phi = rotor angle since the mark passed the tach
//
// with |V| the peak value in SI units. arg V is therefore a phase lead: a heavy
// spot moved by +10 degrees raises arg V by +10 degrees. Instruments that print
// a lag show the conjugate; Convention and PhaseSense convert on entry and exit.
//
// The package does no input or output and starts nothing; all its values are
// safe to copy, and its functions are safe for concurrent use.
package rotor
