//go:build !race

package web

const raceOn = false
