package web

import (
	"context"
	"fmt"

	"counterpoise/internal/balance"
	"counterpoise/internal/job"
	"counterpoise/internal/store"
)

// oneJobScatter is by how much the answer of a machine is taken to differ from
// job to job where only one job is known: a part of itself. An assumption of our
// own; jobs on one machine replace it as they come.
const oneJobScatter = 0.3

// remember puts into a set-up what earlier jobs with an equal fingerprint found,
// and takes out what was there before.
func (d *desk) remember(ctx context.Context, station string, u *job.Setup) error {
	u.Known = nil
	print, ok := u.Print(u.Machine.Speed)
	if !ok {
		return nil
	}
	found, err := d.learnt(ctx, station, print)
	if err != nil || len(found) == 0 {
		return err
	}
	p, err := balance.Learn(found, print, oneJobScatter)
	if err == nil {
		u.Known = job.NewKnown(p)
	}
	return err
}

// learnt is what jobs of this station found, the newest first. Only the index is
// what was kept at closing; what counts is the job as it stands now, since it may
// have been reopened, or one of its events undone or amended. It ends at a job
// that contradicts the newest: since then something has changed.
func (d *desk) learnt(ctx context.Context, station string, print balance.FingerPrint) (found []balance.Answer, err error) {
	kept, err := d.jobs.Coefficients(ctx, print)
	if err != nil || len(kept) == 0 {
		return nil, err
	}
	list, err := d.jobs.Jobs(ctx)
	if err != nil {
		return nil, err
	}
	here := map[string]bool{}
	for _, m := range list {
		here[m.ID] = m.Station == station && m.Damage == "" && !m.Closed.IsZero()
	}
	var newest *job.Known
	for _, c := range kept {
		if !here[c.Job] {
			continue
		}
		s, err := d.jobs.State(ctx, c.Job)
		if err != nil {
			return nil, err
		}
		f, a, ok := s.Learnt()
		if !ok || len(f.Differences(print)) > 0 {
			continue
		}
		if newest == nil {
			p, err := balance.Learn([]balance.Answer{a}, print, oneJobScatter)
			if err != nil {
				return nil, err
			}
			newest = job.NewKnown(p)
		} else if !newest.Agrees(a) {
			break
		}
		found = append(found, a)
	}
	return found, nil
}

// closeJob ends a job and keeps, for the next one of this set-up, how the sensors
// answered to weights. The job is closed also where that could not be kept.
func (b *bench) closeJob(ctx context.Context, e job.Event) error {
	e.Kind = job.KindClosed
	s, err := b.job.Append(ctx, e)
	if err != nil {
		return err
	}
	print, a, ok := s.Learnt()
	if !ok {
		return nil
	}
	if err := b.desk.jobs.SaveCoefficients(ctx, store.Coefficients{Job: b.id, At: e.At, Print: print, Influence: a.Influence, Cov: a.InfluenceCov}); err != nil {
		return fmt.Errorf(say("job.closed.unkept"), err)
	}
	return nil
}
