// Package station is one measured machine while it runs. It owns the source,
// the phase extractor, the spectrum and the levels, runs them in order over
// every block on one goroutine, and hands the newest state to whoever listens.
//
// A listener can never delay a sample: Latest is one atomic load, and Wait
// wakes a listener that then takes the newest snapshot, skipping those it was
// too slow for. The loop itself reads no wall clock for any computation; host
// time is only attached to a snapshot for people.
package station
