package tickline

// Reason says why a frame was refused. OK is not a reason.
type Reason uint8

// The reasons, in the order in which a frame is looked at.
const (
	OK           Reason = iota
	TooLong             // more bytes than any frame has between two 00
	TooShort            // fewer bytes than type, seq and check
	BadCOBS             // a code byte points past the end
	BadCRC              // the check does not agree
	UnknownType         // a good frame of a type that we do not know
	WrongVersion        // a greeting of another protocol version
	BadLength           // the body does not have the length that its type asks for
	BadValue            // a field holds what it never may
)

var reasonNames = [...]string{"ok", "too_long", "too_short", "bad_cobs", "bad_crc", "unknown_type", "wrong_version", "bad_length", "bad_value"}

func (r Reason) String() string { return reasonNames[r] }

// Reasons are all of them, in their order: the fixed list of a metric's label.
var Reasons = [...]Reason{TooLong, TooShort, BadCOBS, BadCRC, UnknownType, WrongVersion, BadLength, BadValue}
