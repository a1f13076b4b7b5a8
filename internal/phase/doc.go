// Package phase turns blocks into turns and turns into readings: it judges the
// tach edges, lays the rotor angle over the samples, and reduces every accepted
// revolution to one complex value per channel and order.
//
// See package rotor for the angle and phase convention. A turn that touches a
// gap, a missed or a doubled edge is not a turn: it is dropped and counted.
// The package reads no clock and starts no goroutine; one goroutine feeds an
// Extractor.
package phase
