// Package store keeps what happened: jobs, their events and readings, influence
// coefficients, photographs and recordings. It decides nothing.
//
// The promise: once a call that saves has returned nil, what it saved survives
// the loss of power. SQLite runs with a write-ahead log and synchronous=FULL,
// so every commit waits for the disk; on Apple systems it also waits for the
// drive's own cache. What the disk itself promises falsely no program can mend.
//
//	jobs.db            the database
//	jobs.db-wal, -shm  its write-ahead log: part of the database, never copied apart
//	jobs.db.lock       locked while a counterpoise may write
//	jobs.db.files/JOB  photographs and takes, each written beside, synced, renamed
//
// Nothing is overwritten: events, names, files and coefficients are added, and
// the database itself refuses to alter or delete them. A renamed job keeps its
// old names.
//
// One process writes. A second Open is refused with ErrInUse; OpenToRead is for
// those who only look. Inside the process all methods may be called from any
// goroutine, save those of a job.Log, which its job calls one at a time.
//
// Every error is one sentence: what happened, what it means for what was being
// saved, what to do next.
package store
