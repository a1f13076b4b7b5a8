// Package trace follows a machine while its speed changes or while its blades
// pass a distance sensor, and says at the end what that told: resonances and
// their damping, what vanished with the current, the heights of the running
// blades.
//
// A Trace is fed blocks, live by a station or from a recording as fast as it is
// read; both go through the same lines, so that both give the same answer. It
// knows by itself when enough has been seen. Its answers are the JSON that
// measure --sweep, measure --power-off, survey --running and the page give.
//
// It starts nothing, does no input or output and reads no clock.
package trace
