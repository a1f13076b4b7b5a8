package web

import (
	"counterpoise/internal/station"
	"math"
)

func init() {
	picturesOf = func(_ *Station, s *station.Snapshot) Pictures { return Pictures{s.Serial / 10, s.Serial / 5} }
	spectrumOf = func(st *Station, s *station.Snapshot, ch string, v View) (*Spectrum, bool) {
		f := s.Speed / 2 / math.Pi
		sp := &Spectrum{Schema: 1, Channel: ch, Unit: "mm/s rms", StepHz: 0.3125, SpeedHz: f, Axes: axesAt(f), Note: "16 averages, Hann window, lines 0.31 Hz apart"}
		for i := 0; i < 3200; i++ {
			x := float64(i) * 0.3125
			y := 0.01 + 0.006*math.Sin(float64(i)*7.7)*math.Sin(float64(i)*3.1)
			for k, p := range []float64{f, 2 * f, 100, 6 * f} {
				y += []float64{4.8, .5, .9, 1.4}[k] * math.Exp(-math.Pow((x-p)/.4, 2))
			}
			sp.Lines = append(sp.Lines, y)
		}
		sp.Peaks = []Peak{{f, 4.81, "4.81 mm/s rms", "1x", "1x", "at the speed of the tach"}, {2 * f, .5, "0.50 mm/s rms", "2x", "2x", "twice the speed"},
			{100, .9, "0.90 mm/s rms", "twice line frequency", "2L", "100.0 Hz does not follow the speed"}, {6 * f, 1.4, "1.40 mm/s rms", "blade pass", "BP", "6 blades times the speed"}}
		return sp, true
	}
	waveformOf = func(st *Station, s *station.Snapshot, ch string) (*Waveform, bool) {
		w := &Waveform{Schema: 1, Channel: ch, Unit: "mm/s", Step: 0.0002}
		f := s.Speed / 2 / math.Pi
		for i := 0; i < 1000; i++ {
			t := float64(i) * w.Step
			w.Values = append(w.Values, 6.8*math.Cos(2*math.Pi*f*t+1)+1.3*math.Cos(2*math.Pi*100*t)+2*math.Sin(2*math.Pi*6*f*t))
		}
		for k := 0; k < 6; k++ {
			if m := .01 + float64(k)/f; m < .2 {
				w.Marks = append(w.Marks, m)
			}
		}
		return w, true
	}
}
