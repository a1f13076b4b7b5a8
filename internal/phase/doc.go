// Package phase turns blocks into turns and turns into readings: it judges the
// tach edges, lays the rotor angle over the samples, and reduces every accepted
// revolution to one complex value per channel and order.
//
// See package rotor for the angle and phase convention. A turn that touches a
// gap, a missed or a doubled edge is not a turn: it is dropped and counted.
// A channel that is clipped or holds no numbers concerns itself alone.
//
// # What the stated error stands for
//
// A reading's covariance is that of its distance from the mean phasor that the
// rotor would show for ever at this speed, for noise that forgets within the turns
// that were seen: those of the reading and, where an Average remembers them, those
// before it. What changes more slowly than that no estimate can see. A reading over
// fewer than 64 turns says so (ShortView); a longer one whose turns look as if they
// were only the beginning of something slower says that (NotSettled). The campaign
// phase-coverage holds both against noise that hangs together from turn to turn.
//
// The package reads no clock and starts no goroutine; one goroutine feeds an
// Extractor.
package phase
