// Package poweroff tells what belongs to the current from what belongs to the
// speed: the supply is switched off while the sensors record, and the rotor
// coasts down. A component made by the current is gone at that moment; one that
// turns follows the speed down; one that does neither comes from elsewhere
// (common practice, no source).
//
// Orders are followed by the angle of the rotor, everything else by its own
// frequency, and all of them are fitted together, before and after the moment.
// Each component gets a name with the evidence for it, or stays undecided. The
// supply's frequency is read from what vanished; it is never assumed to be the
// line's.
//
// The tach belongs on the fan's shaft. The package does no input or output,
// reads no clock and starts nothing.
package poweroff
