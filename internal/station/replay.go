package station

import (
	"context"
	"errors"
	"io"

	"counterpoise/internal/acq"
	"counterpoise/internal/station/trace"
)

// Replay feeds a trace with a whole recording, as fast as it can be read, with
// the delays of this station's configuration; it closes the source. What is
// measured live meanwhile is not touched.
func (s *Station) Replay(ctx context.Context, src acq.Source, t *trace.Trace) error {
	defer src.Close()
	defer t.End()
	src = calibrate(src, s.cfg.Channels)
	for {
		b, err := src.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if t.Add(b) {
			return nil
		}
	}
}
