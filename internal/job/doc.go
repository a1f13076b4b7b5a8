// Package job is one balancing job from the first look to the report.
//
// A job is an append-only list of events: what a person or the station did.
// Everything else is derived from it. The state is the fold of the events; the
// next safe step follows from the state; undo is one more event. An event is
// on the disk before the state changes, so a job goes on where it was after a
// crash, a dead battery or a change of device.
//
//	Append ──> check ──> Log (fsync) ──> fold ──> State ──> Next, Advise
//	                                                 └────> Auto, which does nothing but
//	                                                        what Next says, unattended
//
// A job file holds one event a line:
//
//	{"schema":1,"crc":"03b58695","event":{"n":2,"at":"2026-03-01T08:02:00Z","kind":"setup",...}}
//
// with the CRC-32 of the event's bytes. An incomplete last line is what a power
// loss leaves: it had not been acknowledged, is kept in a file beside the job, and
// is reported. Any other damage is refused, never repaired by dropping events.
//
// Inside a job everything is SI, peak phasors and inside angles, as package
// rotor defines them. Time enters with the events; nothing here reads a clock.
// The mathematics is package balance's: as found, trial, proof and trim are
// runs of one balance.Case and differ only in name.
package job
