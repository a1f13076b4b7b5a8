// Package hil is hardware in the loop, without the hardware: the real firmware
// of a board, run by an emulator of its processor, between the virtual fan and
// the real program.
//
//	rig ── volts, tach edges ──> emulator: converter, timers, firmware ── pseudo-terminal ──> acq, phase, station, job
//
// The emulator is a program of its own under its own licence (hw/emulator); what
// passes to and from it are bytes. It needs a C compiler, an AVR compiler and
// simavr, so this package is for tests and campaigns alone.
package hil
