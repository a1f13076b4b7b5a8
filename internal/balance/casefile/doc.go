// Package casefile reads and writes the case files and answers of the solver:
// JSON in people's units and people's angles outside, a balance.Case in SI and
// inside angles within. It is an edge: all conversion happens here, through
// package rotor, and nothing here computes a weight.
//
// A detector only says which number stands for a sine, so vectors are turned
// into peak values on entry and back on exit; the unit is a free label. Angles
// are degrees in the convention named; a file, a run or a single reading may
// say "phase": "lag" or "lead" where the instrument counts otherwise.
//
// File holds every key that is read, Result every key that is written. Keys that
// are not known are passed over, so that a file may carry notes of its own.
// Intervals are [low, high]; those of angles are not wrapped into 0 to 360, so that
// low <= angle_deg <= high always holds. Null means not known.
package casefile
