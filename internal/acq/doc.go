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
// # SOURCE words
//
//	serial:/dev/ttyACM0?baud=500000     frames of a board; &mode=lines for plain text
//	tcp:host:port                       the same over a network
//	file:run.take                       a recording (also bare frames)
//	file:run.csv?rate=25000&tach=tacho  numbers in columns; or &time=t_ms&time_unit=ms
//	file:run.wav?tach=1&channels=0      integers become +-1 of full scale
//	file:log.txt?mode=lines             plain text lines (hw/PROTOCOL.md, section 8)
//	-                                   standard input: frames, a take, or
//	-?format=s16le&rate=48000&width=2&tach=1&channels=0
//
// Options, percent-encoded where they hold ?, &, = or %. Columns go by name or by
// zero-based number; an option that a source does not know is refused.
//
//	scale=, scale.X=   units per volt, count or file number (factor on what a board says)
//	unit=, unit.X=     m/s^2, g, mm/s, m/s, in/s, um, mm, m, mil; without one a channel is raw
//	delay.X=           s by which channel X, or the tach column X, lags
//	pulses=            tach marks a turn
//	channels=, tach=   columns of the channels and of the sampled tach pulse
//	threshold=, edge=  auto or a level; rising or falling
//	rate=              samples a second
//	time=, time_unit=  column of times; s, ms, us, ns
//	header=            lines before the numbers of a CSV file, the last with names
//	format=, width=    take, wav, csv, u8, s16le, s24le, s32le, s16be, f32le, f64le; channels of a stream
//	mode=              frames or lines
//	baud=              of a serial port
//
// # Who may call what
//
// One goroutine calls Next. Setup, Link and Counts may be called from any other
// at the same time, Close from any one. A live source owns one goroutine, which
// opens, reads and reopens the port, ends with Close and leaves neither
// descriptor nor goroutine. It drops whole blocks, counted, when the reader
// lags; files and standard input wait and never drop.
//
// # What a block promises
//
// No gap inside; ticks, sample numbers and edge numbers rise from block to
// block, also over a board that began anew; samples delivered plus samples
// counted as lost are the samples that the board numbered.
//
// Nothing here knows about vibration.
package acq
