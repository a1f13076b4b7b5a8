package store

import (
	"math"
	"math/cmplx"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

func print0() balance.FingerPrint {
	return balance.FingerPrint{Machine: "fan 3", Sensors: []string{"DE-H", "NDE-H"}, Speed: 155, Radii: []float64{0.3},
		Tach: "optical, rising edge, 12 o'clock", Board: "tickline 1, delays 0/0, 3-1"}
}

func found(id string) Coefficients {
	return Coefficients{Job: id, At: t0, Print: print0(),
		Influence: [][]complex128{{complex(0.1, -0.2)}, {complex(1.0/3, 1e-17)}},
		Cov:       [][]rotor.Cov{{{RR: 1e-6, RI: -2e-7, II: 3e-6}}, {{RR: 1e-6, II: 1e-6}}}}
}

// TestCoefficients: found again to the last bit, and only under an equal print.
func TestCoefficients(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "jobs.db"))
	a, b := create(t, s, "a"), create(t, s, "b")
	older := found(a)
	older.Influence[0][0] = 99
	for _, c := range []Coefficients{older, found(a), found(b)} {
		if err := s.SaveCoefficients(ctx, c); err != nil {
			t.Fatal(err)
		}
	}
	got, err := s.Coefficients(ctx, print0())
	if want := []Coefficients{found(b), found(a)}; err != nil || len(got) != 2 || !sameCoefficients(got[0], want[0]) || !sameCoefficients(got[1], want[1]) {
		t.Errorf("got %+v, %v", got, err)
	}
	for name, change := range map[string]func(*balance.FingerPrint){
		"machine": func(p *balance.FingerPrint) { p.Machine = "fan 4" },
		"sensor":  func(p *balance.FingerPrint) { p.Sensors = []string{"DE-H", "NDE-V"} },
		"order":   func(p *balance.FingerPrint) { p.Sensors = []string{"NDE-H", "DE-H"} },
		"join":    func(p *balance.FingerPrint) { p.Sensors = []string{"DE-H, NDE-H"} },
		"speed":   func(p *balance.FingerPrint) { p.Speed *= 1.03 },
		"radius":  func(p *balance.FingerPrint) { p.Radii = []float64{0.31} },
		"planes":  func(p *balance.FingerPrint) { p.Radii = []float64{0.3, 0.3} },
		"tach":    func(p *balance.FingerPrint) { p.Tach = "optical, falling edge" },
		"board":   func(p *balance.FingerPrint) { p.Board = "another" },
	} {
		p := print0()
		change(&p)
		if got, err := s.Coefficients(ctx, p); err != nil || len(got) != 0 {
			t.Errorf("%s: %d sets for another print, %v", name, len(got), err)
		}
	}
	near := print0()
	near.Speed *= 1.001 // measured, so never equal to the last bit
	if got, err := s.Coefficients(ctx, near); err != nil || len(got) != 2 {
		t.Errorf("at a speed 0.1 %% higher: %d sets, %v", len(got), err)
	}
}

func sameCoefficients(a, b Coefficients) bool {
	at := a.At.Equal(b.At)
	a.At = b.At
	return at && reflect.DeepEqual(a, b)
}

// TestCoefficientsRefused: what could be mixed up, or says nothing, is not kept.
func TestCoefficientsRefused(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "jobs.db"))
	id := create(t, s, "a")
	for want, change := range map[string]func(*Coefficients){
		"no machine":      func(c *Coefficients) { c.Print.Board = "" },
		"no speed":        func(c *Coefficients) { c.Print.Speed = math.NaN() },
		"no sensors":      func(c *Coefficients) { c.Print.Sensors = nil },
		"rows for 1":      func(c *Coefficients) { c.Influence = c.Influence[:1] },
		"of 2 planes":     func(c *Coefficients) { c.Influence[1] = []complex128{1, 2} },
		"is no number":    func(c *Coefficients) { c.Influence[1][0] = cmplx.NaN() },
		"its scatter":     func(c *Coefficients) { c.Cov[1][0].RR = -1 },
		"a radius":        func(c *Coefficients) { c.Print.Radii[0] = 0 },
		"no such job":     func(c *Coefficients) { c.Job = "x" },
		"the fingerprint": func(c *Coefficients) { c.Cov = c.Cov[:1] },
	} {
		c := found(id)
		change(&c)
		if err := s.SaveCoefficients(ctx, c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want an error with %q", err, want)
		}
	}
}
