package web

import (
	"strings"
	"sync"
	"time"

	"counterpoise/internal/job"
)

// standstill remembers which cautions a person has ticked one by one since the
// rotor was last stopped. Before the next step at the same standstill one tick
// says that all of them still hold; forty ticks in a row would be ticked unread.
// The cautions themselves stand before every step all the same.
type standstill struct {
	mu      sync.Mutex
	by      string
	at      time.Time
	begun   int  // starts of the rotor so far
	running bool // while it runs others hold
	codes   map[string]bool
}

// stillFor is how long ticks hold at most: after a break locks may have been taken
// off by somebody else. Common practice, no source.
const stillFor = 30 * time.Minute

// fits reports whether what is remembered is of this person and this standstill.
func (k *standstill) fits(s job.State, by string, now time.Time) bool {
	return k.by == by && k.begun == s.Begun && k.running == s.Running && now.Sub(k.at) < stillFor
}

// keep remembers cautions that were ticked.
func (k *standstill) keep(s job.State, by string, now time.Time, ticked []job.Caution) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.fits(s, by, now) {
		k.by, k.begun, k.running, k.codes = by, s.Begun, s.Running, map[string]bool{}
	}
	k.at = now
	for _, c := range ticked {
		k.codes[c.Code] = true
	}
}

// all reports whether every one of these cautions was ticked.
func (k *standstill) all(s job.State, by string, now time.Time, due []job.Caution) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	if by == "" || len(due) == 0 || !k.fits(s, by, now) {
		return false
	}
	for _, c := range due {
		if !k.codes[c.Code] {
			return false
		}
	}
	return true
}

// codesOf are the codes of cautions in one word of a form.
func codesOf(cs []job.Caution) string {
	var out []string
	for _, c := range cs {
		out = append(out, c.Code)
	}
	return strings.Join(out, " ")
}
