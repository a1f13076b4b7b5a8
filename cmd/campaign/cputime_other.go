//go:build !unix

package main

import "time"

var started = time.Now()

// cpuTime stands in with the time that has passed.
func cpuTime() time.Duration { return time.Since(started) }
