package hil

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/check"
)

// listen drives the board's test wave and fits what comes.
func listen(ctx context.Context, port string) ([]check.Lag, *acq.Setup, error) {
	src, err := acq.Open("serial:"+port, acq.Options{Queue: 1 << 14})
	if err != nil {
		return nil, nil, err
	}
	defer src.Close()
	b, err := src.Next(ctx)
	if err != nil {
		return nil, nil, err
	}
	setup := b.Setup
	var tones []check.Tone
	for _, period := range check.WavePeriods(setup.Rate) {
		exact, err := src.(acq.Looper).Loopback(period)
		if err != nil {
			return nil, setup, err
		}
		h := check.NewHearing(exact, check.WaveTurns)
		for done := false; !done; {
			b, err := src.Next(ctx)
			if err != nil {
				return nil, setup, err
			}
			if done, err = h.Add(b); err != nil {
				return nil, setup, err
			}
			if done && !strings.Contains(fmt.Sprint(b.Setup.Notes), "loopback is on") {
				return nil, setup, fmt.Errorf("the set-up does not say that the loopback is on: %v", b.Setup.Notes)
			}
		}
		tones = append(tones, h.Tone())
	}
	lags, err := check.LagsOfWave(tones, setup.Channels)
	return lags, setup, err
}

// TestDelaysByLoopback plants delays in the analog chain and the tach front end
// of the emulated board, which its firmware does not know; they must be found,
// beside the RC filter and the slots that it states. The limit of 2 us is 0.02
// degrees at 25 Hz.
func TestDelaysByLoopback(t *testing.T) {
	b := built(t, avr)
	for _, c := range []struct {
		name   string
		option []string
		want   [channels]float64 // us beyond what is stated
		flip   int
	}{
		{"as drawn", nil, [channels]float64{}, -1},
		{"late chains and a slow opto", []string{"--late", "30e-6,0,140e-6", "--tach-late", "12e-6"}, [channels]float64{18, -12, 128}, -1},
		{"a channel upside down", []string{"--flip", "1", "--late", "0,55e-6,0"}, [channels]float64{0, 55, 0}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			e, err := b.Emulate(t.Context(), append([]string{"--noise", "0.5", "--rc", "1000"}, c.option...)...)
			if err != nil {
				t.Fatal(err)
			}
			lags, _, err := listen(t.Context(), e.Port)
			if err != nil {
				t.Fatal(err)
			}
			for i, l := range lags {
				t.Logf("%s: %+.2f us +- %.2f (95 %%), planted %+.0f; corner %.3f +- %.3f Hz, farthest %.4f deg, chi %.1f", l.Channel, l.Seconds*1e6, 2e6*l.SE, c.want[i], l.Corner, 2*l.CornerSE, l.Worst*180/math.Pi, l.Chi)
				if !(math.Abs(l.Seconds*1e6-c.want[i]) <= 2) || l.Inverted != (i == c.flip) || l.OffLine() {
					t.Errorf("%s: %+v, want %.0f us, inverted %v", l.Channel, l, c.want[i], i == c.flip)
				}
			}
			if _, err := e.End(); err != nil {
				t.Fatal(err)
			}
		})
	}
	t.Run("the loop plugs are out", func(t *testing.T) {
		t.Parallel()
		e, err := b.Emulate(t.Context(), "--open", "--noise", "0.5")
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := listen(t.Context(), e.Port); err == nil || !strings.Contains(err.Error(), "loop plug") {
			t.Errorf("%v", err)
		}
		if _, err := e.End(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestDelaysBySpeeds turns a rotor at four speeds, whose heavy spot each pin sees
// at its own angle: the time must be told from the angle.
func TestDelaysBySpeeds(t *testing.T) {
	b := built(t, avr)
	late := [channels]float64{30e-6, 0, 140e-6}
	s := signal()
	var tones []check.Tone
	var setup *acq.Setup
	for _, s.Hz = range []float64{15.3, 19.7, 24.6, 31.1} {
		e, err := b.Emulate(t.Context(), append(s.Options(), "--late", "30e-6,0,140e-6", "--tach-late", "12e-6")...)
		if err != nil {
			t.Fatal(err)
		}
		average := newDirect(0)
		if _, err := Follow(t.Context(), "serial:"+e.Port, 8, func(blk *acq.Block) {
			setup = blk.Setup
			average.x.Add(blk, average.avg.Add)
		}); err != nil {
			t.Fatal(err)
		}
		if _, err := e.End(); err != nil {
			t.Fatal(err)
		}
		tones = append(tones, check.ToneOf(average.avg.Reading()))
	}
	lags, err := check.LagsOfSpeeds(tones, setup.Channels)
	if err != nil {
		t.Fatal(err)
	}
	for i, l := range lags {
		want := (late[i] - 12e-6) * 1e6
		t.Logf("%s: %+.2f us +- %.2f, planted %.0f; angle %.3f +- %.3f deg, made %.0f", l.Channel, l.Seconds*1e6, 2e6*l.SE, want, l.Angle*180/math.Pi, 2*l.AngleSE*180/math.Pi, s.PhaseDeg[i])
		if !(math.Abs(l.Seconds*1e6-want) <= 3e6*l.SE+0.5) || !(math.Abs(l.Angle*180/math.Pi-s.PhaseDeg[i]) < 0.1) {
			t.Errorf("%+v, want %.0f us and %.0f degrees", l, want, s.PhaseDeg[i])
		}
	}
}
