package phase

import (
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// The codes of Flag.
const (
	TooFewTurns   = "too-few-turns"
	SpeedUnsteady = "speed-unsteady"
	ManyDropped   = "many-dropped"
	NoSignal      = "no-signal"
	NotSettled    = "not-settled"
	ShortView     = "short-view"
	DeadChannel   = "dead-channel"
	NotFinite     = "not-finite"
	MarkAmbiguous = "mark-ambiguous"
	NearTone      = "near-neighbour-tone"
	Clipped       = "clipped"
)

const (
	fewTurns      = 8     // below it a scatter says too little
	unsteady      = 0.01  // relative scatter of the speed that deserves a word
	veryUnsteady  = 0.15  // ... at which the reading is of no one speed, whatever the vector did
	droppedSome   = 0.1   // share of turns dropped that deserves a word
	droppedMost   = 0.5   // ... at which the tach is not to be believed
	slowDoubt     = 0.015 // probability that the stated error is too small which deserves a word; before any turn is seen it is about 0.04
	constantShare = 1e-7  // of the mean: less scatter than single precision has is no measurement
)

// judge sets the flags of a reading.
func (a *Average) judge(r *Reading) {
	if r.Turns < fewTurns {
		r.flag(TooFewTurns, true, "Only %d revolutions were accepted: at least %d are needed before their scatter says how good the reading is. Measure longer.", r.Turns, fewTurns)
	}
	if r.Seen < shortView && r.Turns >= fewTurns {
		r.flag(ShortView, false, "Only %d revolutions in a row were seen: a change slower than that is not in the stated error. Measure over %d or more.", r.Seen, shortView)
	}
	if share := r.SpeedSD / r.Speed; share > unsteady {
		r.flag(SpeedUnsteady, share > veryUnsteady, "The speed varied by %.1f %% (standard deviation) around %.0f rpm: hold it steady, or read while it is.", 100*share, rotor.RPM(r.Speed))
	}
	if a.at(0).alike {
		r.flag(MarkAmbiguous, true, "The %d marks of a revolution look alike, so which of them is zero is not known and the phase may jump between runs: make one spacing wider, or use one mark.", a.at(0).shape.setup.PulsesPerTurn)
	}
	if n := r.Dropped[DropValue]; 20*n > r.Turns {
		r.flag(Clipped, 2*n > r.Turns, "%d revolutions held samples at the end of the converter's range or no numbers at all: lower the gain or look at the cable.", n)
	}
	for _, ch := range r.Channels {
		switch {
		case ch.Refused != "":
			r.flag(Clipped, len(r.Channels) == 1, "Channel %q gives no vector: %s. Lower its gain or look at its cable.", ch.Name, ch.Refused)
		case 20*ch.Left > r.Turns:
			r.flag(Clipped, false, "Channel %q was left out of %d of %d revolutions, which held samples at the end of its converter's range or no numbers at all: lower its gain or look at its cable.", ch.Name, ch.Left, r.Turns)
		}
	}
	lost := 0
	for _, n := range r.Dropped {
		lost += n
	}
	if share := float64(lost) / float64(lost+r.Turns); share > droppedSome {
		r.flag(ManyDropped, share > droppedMost, "%d of %d revolutions were dropped (%s): look at the tach, its mark and the link.", lost, lost+r.Turns, worstDrop(r.Dropped))
	}
	refused := 0
	for c := range r.Channels {
		r.judgeChannel(c)
		if r.Channels[c].Refused != "" {
			refused++
		}
	}
	if refused > 1 && refused == len(r.Channels) {
		r.flag(NoSignal, true, "No channel is left to read: each was refused for its own reason.")
	}
}

func (r *Reading) judgeChannel(c int) {
	ch := &r.Channels[c]
	for _, o := range ch.Orders {
		if !finite(o.Value) {
			r.flag(NotFinite, true, "Channel %q gives no finite value: look at its scale and its samples.", ch.Name)
			return
		}
	}
	if len(ch.Orders) == 0 {
		return
	}
	first := ch.Orders[0]
	if mean := math.Abs(ch.mean); first.StandardError() <= constantShare*mean && math.Hypot(real(first.Value), imag(first.Value)) <= 10*constantShare*mean ||
		first.Value == 0 && first.StandardError() == 0 {
		ch.Orders, ch.Refused = nil, "it delivers a constant, which no sensor does"
		r.flag(DeadChannel, len(r.Channels) == 1, "Channel %q gives no vector: %s. Look at its cable and supply.", ch.Name, ch.Refused)
		return
	}
	if first.slow > slowDoubt && r.Seen >= shortView && first.StandardError() > 10*constantShare*(cmplx.Abs(first.Value)+math.Abs(ch.mean)) {
		r.flag(NotSettled, false, "Channel %q changes slowly at order %d, and %d turns are too few to know how far: the stated error may be too small. Let it settle and read over at least %d turns.", ch.Name, first.Order, r.Seen, 4*r.Turns)
	}
	if !first.HasPhase() {
		r.flag(NoSignal, false, "Channel %q shows no vibration at order %d above its noise, so it has no phase: its amplitude is below %s.", ch.Name, first.Order, peakWords(noPhase*first.StandardError(), ch.Quantity))
	}
}

// peakWords writes a peak value of a channel in the usual unit of its quantity.
func peakWords(v float64, q rotor.Quantity) string {
	u := rotor.DefaultUnit(q)
	return fmt.Sprintf("%.3g %s peak", v*u.PerSI, u.Name)
}

func (r *Reading) flag(code string, fatal bool, format string, args ...any) {
	r.Flags = append(r.Flags, Flag{Code: code, Fatal: fatal, Text: fmt.Sprintf(format, args...)})
}

func worstDrop(d [NumDrops]int) string {
	worst := Drop(0)
	for k := range d {
		if d[k] > d[worst] {
			worst = Drop(k)
		}
	}
	return "most: " + worst.String()
}

// Flagged reports whether a code stands.
func (r *Reading) Flagged(code string) bool {
	for _, f := range r.Flags {
		if f.Code == code {
			return true
		}
	}
	return false
}
