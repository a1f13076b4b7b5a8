// Package check tells whether a board, its sensors and its tach are fit for a
// balancing job, and what to do where they are not: one page of findings, each
// with its figure and its remedy.
//
// A limit that comes from a standard or a published figure says so beside it;
// the others are common practice, no source, and are listed together in
// limits.go. A figure that the machine itself contributes to (noise beside 1x,
// mains frequencies) is told as an upper bound.
//
// The package reads no clock and starts no goroutine.
package check
