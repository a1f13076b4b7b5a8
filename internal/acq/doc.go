// Package acq turns bytes into blocks: samples of all channels in engineering
// units, and the tach edges among them, on one clock, with every gap marked.
//
// A source (serial port, TCP, tickline recording, WAV, CSV, standard input) is
// opened by Open from a URL-like word and read block by block. The board's tick
// counter is the only clock that measures; the host's clock is attached once,
// for people to read. Sensitivity is applied here and nowhere else. An analog
// tach channel becomes edges here. Channel and edge delays are only carried:
// package phase applies them, once.
//
// Nothing here knows about vibration.
package acq
