package job

// Log is where the events of one job are kept. A file is one; a database may
// be another. One goroutine at a time calls its methods.
type Log interface {
	// Load returns all events that were ever acknowledged, in order, and a
	// sentence for people where something that had not been acknowledged was
	// found damaged and set aside; empty when all was well.
	Load() (events []Event, notice string, err error)
	// Append stores one event so that it survives the loss of power, and only
	// then returns nil. After an error the event may or may not be found by the
	// next Load, and never half of it.
	Append(Event) error
	Close() error
}
