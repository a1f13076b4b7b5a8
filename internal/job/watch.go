package job

import "context"

// watch breaks a run off when the instrument sees too much. Its goroutine ends
// with end, or with the context it was started from.
type watch struct {
	ctx  context.Context // ends when the run is broken off
	stop context.CancelFunc
	done chan struct{}
	err  error // why it was broken off; valid after done
}

// keepWatch begins to watch where the instrument can and the job has an abort
// level.
func (a *auto) keepWatch(ctx context.Context) *watch {
	w := &watch{done: make(chan struct{})}
	w.ctx, w.stop = context.WithCancel(ctx)
	g, ok := a.Instrument.(Guard)
	limit := a.Job.State().Setup.Abort
	if !ok || limit <= 0 {
		close(w.done)
		return w
	}
	go func() {
		defer close(w.done)
		if err := g.Watch(w.ctx, limit); err != nil && w.ctx.Err() == nil {
			w.err = err
			w.stop()
		}
	}()
	return w
}

// broken is why the run was broken off; nil = it was not.
func (w *watch) broken() error {
	if w == nil || w.ctx.Err() == nil {
		return nil
	}
	<-w.done
	return w.err
}

// during is the context of what is done while the watch runs.
func (w *watch) during(ctx context.Context) context.Context {
	if w == nil {
		return ctx
	}
	return w.ctx
}

func (w *watch) end() {
	if w != nil {
		w.stop()
		<-w.done
	}
}
