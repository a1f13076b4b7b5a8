// Package tickline is the wire codec between a board and the host. The
// specification, with a byte table and worked frames, is hw/PROTOCOL.md; this
// is what it looks like from above:
//
//	COBS( type u8 | seq u16 | body | CRC-32 u32 ) 00
//
//	  type, seq, body, check: at most 252 bytes before COBS, little endian
//	  seq counts the frames put on the wire, so a jump is a loss on the wire
//	  CRC-32 (IEEE 802.3, as in zlib) over type, seq and body
//	  00 ends every frame and stands nowhere else
//
// COBS (S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM
// Transactions on Networking 7(2), 1999) takes every zero byte out of the
// frame for one byte of overhead. Resynchronisation therefore needs no search:
// after garbage of any kind the next 00 is a frame boundary, and at most the
// one frame that ran into the garbage is lost with it.
//
// The Append functions write into the caller's buffer and the Decoder into its
// own, so neither allocates in a steady state. All counters wrap; nothing here
// unwraps them, package acq does, in one place.
//
// A Decoder belongs to one goroutine. Everything else is plain values.
package tickline
