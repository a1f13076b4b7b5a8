package main

import (
	"context"
	"errors"

	"counterpoise/internal/rig"
)

func runAuto(ctx context.Context, e env, r *rig.Rig, name string, seed uint64, asJSON bool) error {
	return errors.New("waits for job.Auto")
}
