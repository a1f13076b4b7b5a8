package rig

// Faults are what a test may do to wire, board and tach. The zero value is a
// sound rig.
type Faults struct {
	GarbageEvery int     // after every so many data frames come stray bytes; 0 = never
	FlipEvery    int     // in every so many data frames one bit is flipped; 0 = never
	LoseEvery    int     // every so many data frames one is lost on the wire; 0 = never
	Version      uint8   // the greeting names this protocol version; 0 = the right one
	Mute         bool    // the board says nothing at all
	TachMiss     float64 // chance that an edge is missed, beside what the tach does of itself
	TachDouble   float64 // chance that an edge comes twice
	NoTach       bool    // no edges at all
}

// Inject sets the faults; the zero value takes them away.
func (r *Rig) Inject(f Faults) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.faults = f
	r.sim.tach = tachFaults{f.TachMiss, f.TachDouble, f.NoTach}
}

// Restart cuts the board's power for a moment: its counters begin anew and it
// waits to be started. The rotor notices nothing.
func (r *Rig) Restart() {
	r.mu.Lock()
	r.board.restart(r.sim)
	r.board.greet = true
	r.mu.Unlock()
	r.poke()
}

// spoiler counts the frames that it may spoil.
type spoiler struct {
	frames int
	mix    uint32
}

func (s *spoiler) random() uint32 {
	s.mix = s.mix*1664525 + 1013904223 // any sequence will do, so long as it repeats
	return s.mix >> 8
}

func nth(frames, every int) bool { return every > 0 && frames%every == 0 }

// spoil does what the faults ask to the frame that begins at start.
func (s *spoiler) spoil(out []byte, start int, f *Faults) []byte {
	s.frames++
	if nth(s.frames, f.FlipEvery) {
		out[start+int(s.random())%(len(out)-start)] ^= 1 << (s.random() % 8)
	}
	if nth(s.frames, f.LoseEvery) {
		out = out[:start]
	}
	if nth(s.frames, f.GarbageEvery) {
		for range 20 + s.random()%60 {
			out = append(out, byte(s.random()))
		}
	}
	return out
}
