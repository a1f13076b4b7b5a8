//go:build race

package web

// raceOn: whole jobs in a browser take minutes under the race detector, mostly in
// the search for places. They run without it; TestManyHandsOnOneJob drives the
// same goroutines under it.
const raceOn = true
