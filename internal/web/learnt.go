package web

import (
	"context"

	"counterpoise/internal/job"
	"counterpoise/internal/store"
)

// oneJobScatter is by how much the answer of a machine is taken to differ from
// job to job where only one job is known: a part of itself. Common practice, no
// source.
const oneJobScatter = 0.3

// remember puts into the set-up of a new job what earlier jobs with an equal
// fingerprint found.
func (d *desk) remember(ctx context.Context, u *job.Setup) error {
	print, ok := u.Print(u.Machine.Speed)
	if !ok {
		return nil
	}
	p, ok, err := d.jobs.Prior(ctx, print, oneJobScatter)
	if err == nil && ok {
		u.Known = job.NewKnown(p)
	}
	return err
}

// closeJob ends a job and keeps, for the next one of this set-up, how the sensors
// answered to weights.
func (b *bench) closeJob(ctx context.Context, e job.Event) error {
	s := b.job.State()
	if print, a, ok := s.Learnt(); ok && !s.Closed {
		if err := b.desk.jobs.SaveCoefficients(ctx, store.Coefficients{Job: b.id, At: e.At, Print: print, Influence: a.Influence, Cov: a.InfluenceCov}); err != nil {
			return err
		}
	}
	e.Kind = job.KindClosed
	_, err := b.job.Append(ctx, e)
	return err
}
