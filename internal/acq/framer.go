package acq

// framer turns the bytes that a board sends into blocks: frames or text lines.
// It has no goroutine and no clock.
type framer interface {
	// feed takes bytes of p until b is filled or p is used up.
	feed(p []byte, b *Block) (n int, filled bool, err error)
	cut()                         // the link was lost
	flush()                       // nothing more comes
	greeted() bool                // in this connection
	setup() *Setup                // nil before the board has introduced itself
	alive() uint64                // rises with every good frame or line
	total() *Counts               // what was counted
	hello() []byte                // what to write to a board that is silent; may be empty
	looped() bool                 // the newest greeting says that the test wave is on
	loopback(ticks uint32) []byte // what to write for a test wave; nil where the board takes no commands
	pulse() (Pulse, bool)         // of a sampled tach
	puzzle() string               // what is wrong when bytes come but nothing good
	empty() string                // what is wrong when everything was read and gave no block
	fatal() error                 // what cannot get better by waiting; nil = nothing
}
