package rig

import (
	"math"
	"testing"
)

// The distance sensor, averaged over turns in the rotor angle, gives back every
// blade's height at speed and its place on the wheel.
func TestDistanceSensorSeesTheBlades(t *testing.T) {
	p := preset(t, "extractor-track")
	p.Board.TachMiss, p.Board.TachDouble, p.Board.TachJitter = 0, 0, 0
	r := fan(t, p, 3)
	settle(t, r, 1)
	rec, err := r.Record(int(100 / r.Describe().RunHz * p.Board.Rate))
	if err != nil {
		t.Fatal(err)
	}
	x := rec.Samples[len(rec.Samples)-1]
	if got := rec.Names[len(rec.Names)-1]; got != "track" {
		t.Fatalf("last channel is %s", got)
	}
	d, w := p.Distance, &p.Wheel
	edges := rec.Edges
	lag := rec.TachDelay * rec.Rate
	half := w.Chord*math.Cos(w.Stagger)/2/d.Radius - 2*d.Spot/d.Radius
	for _, b := range r.Blades() {
		// Straight line through what passes within the blade: the height is the
		// mean, the slope tells of pitch, the ends tell of the place.
		var n, sx, sy, sxx, sxy float64
		for i := 1; i < len(edges); i++ {
			from, to := edges[i-1]-lag, edges[i]-lag
			for k := max(0, int(math.Ceil(from))); k < int(to) && k < len(x); k++ {
				a := 2*math.Pi*(float64(k)-from)/(to-from) + b.Angle - d.Angle
				a = math.Remainder(a, 2*math.Pi)
				if math.Abs(a) > half {
					continue
				}
				a *= d.Radius
				n, sx, sy, sxx, sxy = n+1, sx+a, sy+x[k], sxx+a*a, sxy+a*x[k]
			}
		}
		slope := (n*sxy - sx*sy) / (n*sxx - sx*sx)
		height := (sy - slope*sx) / n
		if want := r.Running(b.Number, p.Drive.Run); !(math.Abs(height-want) <= 0.05e-3) {
			t.Errorf("blade %d: height %.3f mm, want %.3f", b.Number, height*1000, want*1000)
		}
		if got := math.Atan(slope) - w.Stagger; !(math.Abs(got-b.Pitch) <= 0.1*degree) {
			t.Errorf("blade %d: pitch %.2f degrees, want %.2f", b.Number, got/degree, b.Pitch/degree)
		}
	}
}
