package rig

import (
	"context"
	"time"

	"counterpoise/internal/acq/tickline"
)

// owner is the goroutine that lets the plant's time pass.
type owner struct {
	*Rig
	s     *session // nil while no host is connected
	epoch time.Time
	count float64 // s of board time since epoch
	pace  float64 // for which the epoch holds; 0 = free
	stuck time.Time
}

func (r *Rig) own(ctx context.Context, sessions <-chan *session) {
	o := &owner{Rig: r, epoch: time.Now(), pace: -1}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		wait := o.work()
		timer.Reset(wait)
		var in <-chan tickline.Command
		var room, gone <-chan struct{}
		if o.s != nil {
			in, room, gone = o.s.in, o.s.room, o.s.done
		}
		select {
		case <-ctx.Done():
			return
		case o.s = <-sessions:
			o.answer(tickline.Command{Type: tickline.TypeStop})
		case c := <-in:
			o.answer(c)
		case <-gone:
			o.s = nil
			o.mu.Lock()
			o.board.streaming = false
			o.mu.Unlock()
		case <-r.wake:
		case <-room:
		case <-timer.C:
		}
	}
}

// answer obeys a command and owes the host a greeting. A new session begins as
// if stopped.
func (o *owner) answer(c tickline.Command) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.board.obey(o.sim, c)
	o.board.greet = true
}

// greet sends the greeting that is owed once there is room. Called with the
// lock held.
func (o *owner) greet() {
	if !o.board.greet || o.s == nil || o.s.full() {
		return
	}
	o.board.greet = false
	if !o.faults.Mute {
		o.s.out <- o.board.appendGreeting(o.s.buffer(), o.sim, o.faults.Version)
	}
}

// work lets as much time pass as is due, sends it, and says how long to wait.
func (o *owner) work() time.Duration {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.greet()
	streaming := o.s != nil && o.board.streaming
	pace := o.Rig.pace
	if pace == 0 && !streaming {
		pace = 1
	}
	full := streaming && o.s.full()
	if full && pace != 1 {
		if o.stuck.IsZero() {
			o.stuck = time.Now()
		}
		if since := time.Since(o.stuck); since < stall {
			o.pace = -1 // the time that was waited is not made up
			return stall - since
		}
		pace = 1
	}
	if !full {
		o.stuck = time.Time{}
	}
	if pace != o.pace {
		o.pace, o.epoch, o.count = pace, time.Now(), 0
	}
	frames, wait := o.due()
	if frames > 0 {
		o.send(frames, streaming, !full)
	}
	return wait
}

// due is the number of frames that the clock asks for now and the time until
// it asks again.
func (o *owner) due() (frames int, wait time.Duration) {
	if o.pace == 0 {
		return most, 0
	}
	span := float64(frameSamples(o.sim)) * o.sim.dt
	behind := time.Since(o.epoch).Seconds()*o.pace - o.count
	frames = min(most, max(0, int(behind/span)))
	o.count += float64(frames) * span
	if behind > 1+o.pace { // the machine slept: time that nobody lived is not made up
		o.pace = -1
	}
	if behind-float64(frames)*span >= span {
		return frames, 0
	}
	return frames, max(beat, time.Duration(span/o.pace*float64(time.Second)))
}

// send runs the plant for some frames and puts them under way.
func (o *owner) send(frames int, streaming, room bool) {
	var b []byte
	if streaming && room {
		b = o.s.buffer()
	}
	for range frames {
		b = o.board.appendData(b, o.sim, room, &o.faults)
	}
	if len(b) > 0 && !o.faults.Mute {
		o.s.out <- b
	}
}
