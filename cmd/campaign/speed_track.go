package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"

	"counterpoise/internal/blades/running"
	"counterpoise/internal/phase"
	"counterpoise/internal/rig"
)

// trackTurns of the campaign on running track.
const trackTurns = 100

// runningTracks: extractors of 2 to 36 blades with a distance sensor, 100 turns
// each, at 10 micrometre and 0.3 mm rms noise of a sample.
func runningTracks(ctx context.Context, w io.Writer, args []string) error {
	trials := count(args, 20)
	fmt.Fprintf(w, "Running track: %d wheels a row with blades out of track by 1.5 mm (sd), a distance sensor on them, %d turns, rms noise of a sample\nas stated. Heights from the mean of all blades, spacing as the place on the circle. Limit: 0.05 mm at 10 um; within the stated 95 %%\nat 0.3 mm.\n", trials, trackTurns)
	fmt.Fprintln(w, "blades | noise mm | rms err mm | worst mm | stated sd mm | 95 % holds | <= 0.05 mm | spacing rms deg | 95 % holds | blade 1 right | refused")
	for _, noise := range []float64{10e-6, 0.3e-3} {
		for _, n := range []int{2, 3, 4, 6, 8, 12, 16, 24, 36} {
			t := trackTally{}
			for seed := range uint64(trials) {
				if ctx.Err() != nil {
					return ctx.Err()
				}
				if err := t.one(n, noise, seed); err != nil {
					return err
				}
			}
			t.report(w, n, noise)
		}
	}
	return nil
}

type trackTally struct {
	err, stated, held, off, offHeld []float64
	first, refused, all             int
}

func (t *trackTally) one(n int, noise float64, seed uint64) error {
	p, err := rig.Preset("extractor-track")
	if err != nil {
		return err
	}
	p.Wheel.Blades = n
	p.Wheel.Chord = math.Min(p.Wheel.Chord, 0.6*2*math.Pi*p.Distance.Radius/float64(n)/math.Cos(p.Wheel.Stagger))
	p.Distance.Noise = noise
	fan, speed, err := settled(p, seed)
	if err != nil {
		return err
	}
	rec, err := fan.Record(int(p.Board.Rate * (trackTurns + 1.5) * 2 * math.Pi / speed))
	if err != nil {
		return err
	}
	d := fan.Describe()
	c := running.New(running.Config{Channel: len(rec.Names) - 1, Blades: n, Sensor: d.Distance.Angle, SensorKnown: true,
		Blade1: fan.Machine().Blade1, Blade1Known: true, Radius: d.Distance.Radius, Turns: trackTurns})
	for _, b := range blocksOf(rec) {
		c.Add(b)
	}
	t.all++
	r, err := c.Result()
	if err != nil {
		t.refused++
		return nil
	}
	true_, angle, mean, meanAngle := make([]float64, n), make([]float64, n), 0.0, 0.0
	for i, b := range fan.Blades() {
		true_[i] = fan.Running(i+1, r.Speed)
		angle[i] = b.Angle - fan.Machine().Blade1 - 2*math.Pi*float64(i)/float64(n)
		mean += true_[i] / float64(n)
		meanAngle += angle[i] / float64(n)
	}
	limit := phase.TLimit(0.95, r.DoF)
	right := true
	for i, b := range r.Blades {
		e := b.Height - (true_[i] - mean)
		t.err = append(t.err, math.Abs(e)*1e3)
		t.stated = append(t.stated, b.HeightSD*1e3)
		t.held = append(t.held, within(e, limit*b.HeightSD))
		o := b.Off - (angle[i] - meanAngle)
		t.off = append(t.off, math.Abs(o)*180/math.Pi)
		t.offHeld = append(t.offHeld, within(o, limit*b.AngleSD))
		right = right && math.Abs(e) < 1e-3
	}
	if right {
		t.first++
	}
	return nil
}

func within(err, limit float64) float64 {
	if math.Abs(err) <= limit {
		return 1
	}
	return 0
}

func (t *trackTally) report(w io.Writer, n int, noise float64) {
	if len(t.err) == 0 {
		fmt.Fprintf(w, "%6d | %8.2f | refused all %d\n", n, noise*1e3, t.refused)
		return
	}
	fmt.Fprintf(w, "%6d | %8.2f | %10.4f | %8.4f | %12.4f | %9.1f%% | %9.1f%% | %15.4f | %9.1f%% | %8d of %d | %d\n", n, noise*1e3, rms(t.err), slices.Max(t.err), mean(t.stated),
		100*mean(t.held), 100*portion(t.err, 0.05), rms(t.off), 100*mean(t.offHeld), t.first, t.all-t.refused, t.refused)
}

func rms(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x * x / float64(len(v))
	}
	return math.Sqrt(s)
}
