// Package web serves the page, the JSON API, the event stream and the metrics
// of the stations.
//
// # What it promises
//
// A browser can never delay a sample: a stream holds no queue, it asks the
// station for the newest snapshot, sends it, and skips what it was too slow
// for. Every answer is built whole before its first byte is sent. Nothing is
// fetched from another host, so the page works beside a fan without a network.
//
// # Units and angles
//
// Inside everything is SI and counted with rotation. A View (one unit for
// amplitudes, one way of counting angles) turns a snapshot into numbers for
// people, in view.go and state.go and nowhere else; scripts only draw. One
// confidence level is used: every "±" is the half-width of a 95 % region.
//
// # Who may ask
//
// Host is checked on every request, so that a hostile name that resolves to
// this machine is refused; Origin on every request that changes something or
// opens a stream. Beyond loopback a token is demanded. See guard.go, login.go.
//
// All methods of Server may be called from any goroutine.
package web
