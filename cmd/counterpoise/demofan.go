package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"counterpoise/internal/durable"
	"counterpoise/internal/rig"
)

// keptFan is a virtual fan whose bent blades stay bent when the program ends
// while a job is open: a job goes on only on the rotor that it was begun on.
// With no job open the fan stands as it was found.
type keptFan struct {
	*rig.Rig
	path string
}

// bends is the file of blades that were bent, SI.
type bends struct {
	Schema int         `json:"schema"`
	Blades []rig.Blade `json:"blades"`
}

// keepFan bends the blades of a fresh fan as they were left, where a job is
// under way; else it forgets how they were.
func keepFan(r *rig.Rig, data string, underWay bool) (keptFan, error) {
	f := keptFan{r, filepath.Join(data, "blades.json")}
	if !underWay {
		if err := os.Remove(f.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return f, fmt.Errorf("forget the bent blades of an earlier job: %w", err)
		}
		return f, nil
	}
	raw, err := os.ReadFile(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return f, nil // none was bent
	}
	var was bends
	if err == nil {
		err = json.Unmarshal(raw, &was)
	}
	for _, b := range was.Blades {
		if err == nil {
			err = r.Bend(b.Number, b.Track, b.Pitch, b.Mass)
		}
	}
	if err != nil {
		return f, fmt.Errorf("the virtual fan cannot be bent as the open job left it (%w): close that job, or begin with --data in another folder", err)
	}
	return f, nil
}

// Bend bends a blade and keeps that.
func (f keptFan) Bend(blade int, track, pitch, mass float64) error {
	was := f.Blades()
	if err := f.Rig.Bend(blade, track, pitch, mass); err != nil {
		return err
	}
	if err := f.keep(); err != nil {
		b := was[blade-1]
		return fmt.Errorf("the blade stays as it was, because its bend could not be kept: %w", errors.Join(err, f.Rig.Bend(blade, b.Track, b.Pitch, b.Mass)))
	}
	return nil
}

func (f keptFan) keep() error {
	raw, err := json.Marshal(bends{1, f.Blades()})
	if err != nil {
		return err
	}
	d, err := durable.NewDraft(filepath.Dir(f.path))
	if err != nil {
		return err
	}
	defer d.Discard()
	if _, err := d.Write(raw); err != nil {
		return err
	}
	if err := d.Seal(); err != nil {
		return err
	}
	return d.Keep(f.path)
}
