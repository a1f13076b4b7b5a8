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
// # From runs to weights
//
// Per sensor, and per speed where runs were made at several, the unknowns
// (V0, A_1 .. A_P) are fitted to all runs at once: plain least squares where no
// error is stated, generalised least squares where one is. A weight that stays on
// the rotor carries its placing error through all its runs, so such runs share
// noise. Coefficients of earlier jobs enter as further observations with their
// scatter. States of one rotor, hot and cold, have a V0 each and share A. This is
// the batch form of a complex Kalman filter that takes run after run.
//
// The correction then makes V0 + A w small: in the least squares sense, weighted
// by tolerance, with the ridge that the uncertainty of A itself implies, or for the
// worst sensor (with a certificate); always inside the caps of the planes. Total
// answers V0 with everything fitted since taken off. Further answers what the rotor
// shows now, with its weights on, and so does not repeat their placing errors.
//
// # How sure
//
// Every independent cause of error (each reading, each placing, each stored
// coefficient) is sent through the solution once, to first order; where a trial
// barely rose above the noise, or a cap or the min-max rule bends the solution, it
// is drawn many times. All statements are at 95 %. Without stated errors there are
// none: a nil interval means "not known", never "exact".
//
// Verdicts are sentences with numbers and what to do. They never change an answer,
// and an answer that can be computed is never held back; only a singular or
// malformed case is an error.
//
// All functions are pure: no input or output, no clock, no global state; draws come
// from a seed in the options. They are safe for concurrent use.
package balance
