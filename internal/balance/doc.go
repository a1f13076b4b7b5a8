// Package balance turns runs into influence coefficients and corrections, and
// says how sure the answer is.
//
// Every run of a job, as found, trial, proof or trim, is one kind of
// observation: the weights on the rotor (total, relative to as found) and one
// vector per sensor. The model is, for each sensor s,
//
//	V_s = V0_s + sum_p A_sp w_p
//
// with w_p the complex mass in kg at the plane's radius. Vectors are peak
// phasors as package rotor defines them, in whatever unit the case uses
// throughout; the corrections do not depend on it.
//
// All functions are pure: no input or output, no clock, no global state.
package balance
