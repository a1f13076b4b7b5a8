package rig

import (
	"context"
	"sync"
	"time"
)

// cable is the plug between board and host.
type cable struct {
	mu     sync.Mutex
	out    bool
	over   context.Context    // what runs over the cable; nil while it is out
	cut    context.CancelFunc // ends it
	change chan struct{}      // closed at the next change
	again  *time.Timer        // plugs it in
}

// pull pulls the plug; after d (unless 0) it goes in again.
func (c *cable) pull(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.out = true
	if c.cut != nil {
		c.cut()
		c.over, c.cut = nil, nil
	}
	c.stop()
	if d > 0 {
		c.again = time.AfterFunc(d, c.plug)
	}
}

// plug puts it in.
func (c *cable) plug() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.out = false
	c.stop()
	if c.change != nil {
		close(c.change)
		c.change = nil
	}
}

func (c *cable) stop() {
	if c.again != nil {
		c.again.Stop()
		c.again = nil
	}
}

func (c *cable) isIn() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return !c.out
}

// plugged waits until the cable is in. The context it returns ends when the
// cable is pulled, and is the same until then; ok is false when ctx ended first.
func (c *cable) plugged(ctx context.Context) (over context.Context, ok bool) {
	for {
		c.mu.Lock()
		if !c.out {
			if c.over == nil || c.over.Err() != nil {
				c.over, c.cut = context.WithCancel(ctx)
			}
			over = c.over
			c.mu.Unlock()
			return over, true
		}
		if c.change == nil {
			c.change = make(chan struct{})
		}
		change := c.change
		c.mu.Unlock()
		select {
		case <-change:
		case <-ctx.Done():
			return nil, false
		}
	}
}
