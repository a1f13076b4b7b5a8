package station

import (
	"context"
	"errors"
	"fmt"

	"counterpoise/internal/acq"
	"counterpoise/internal/station/trace"
)

// follower is a trace that somebody waits for.
type follower struct {
	trace *trace.Trace
	done  chan struct{} // closed when the loop has let go of the trace
	ctx   context.Context
}

// Follow feeds a trace with the blocks that come after the call, until it has
// seen enough, ctx ends or the source does. After it has returned nothing feeds
// the trace any more: what it saw can be worked out. One trace is followed at a
// time.
func (s *Station) Follow(ctx context.Context, t *trace.Trace) error {
	if !s.following.TryLock() {
		return errors.New("another run-up, coast-down or track is being followed on this station: wait for it, or end it")
	}
	defer s.following.Unlock()
	f := &follower{trace: t, done: make(chan struct{}), ctx: ctx}
	select {
	case s.traces <- f:
	case <-s.ended:
		return errEnded
	case <-ctx.Done():
		return fmt.Errorf("nothing was followed, for no sample came: look at the link: %w", context.Cause(ctx))
	}
	select {
	case <-f.done:
		return nil
	case <-s.ended:
	case <-ctx.Done(): // enough; the loop lets go with the next block, which changes nothing any more
	}
	t.End()
	return nil
}

// follow hands the block to the trace that is followed.
func (l *loop) follow(b *acq.Block) {
	if l.trace == nil {
		select {
		case l.trace = <-l.s.traces:
		default:
			return
		}
	}
	if l.trace.ctx.Err() != nil || l.trace.trace.Add(b) {
		close(l.trace.done)
		l.trace = nil
	}
}
