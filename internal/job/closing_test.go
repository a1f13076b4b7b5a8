package job

import (
	"path/filepath"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

// TestClosing: balance and severity are judged apart. The zone boundaries used
// here are stated by the setup; the presets are from memory of ISO 10816-3.
func TestClosing(t *testing.T) {
	for _, c := range []struct {
		name    string
		v       complex128 // 1x, m/s peak; the tolerance is 1e-3
		overall []float64
		zones   rotor.Zones
		power   float64
		ok      bool
		zone    string
		says    string
	}{
		{"balanced and smooth", 2e-4, []float64{1.1e-3, 0.5e-3}, rotor.Zones{AB: 1.4e-3, BC: 2.8e-3, CD: 4.5e-3}, 0, true, "A", "zone A."},
		{"balanced, not smooth", 2e-4, []float64{3e-3, 0.5e-3}, rotor.Zones{AB: 1.4e-3, BC: 2.8e-3, CD: 4.5e-3}, 0, true, "C", "another cause"},
		{"smooth, not balanced", 2e-3, []float64{1.3e-3, 0.5e-3}, rotor.Zones{AB: 1.4e-3, BC: 2.8e-3, CD: 4.5e-3}, 0, false, "A", "zone A."},
		{"preset by power", 2e-4, []float64{5e-3, 0.5e-3}, rotor.Zones{}, 7.5e3, true, "D", rotor.FromMemory},
		{"no zones known", 2e-4, []float64{5e-3, 0.5e-3}, rotor.Zones{}, 0, true, "", "no severity zones"},
		{"not measured", 2e-4, nil, rotor.Zones{AB: 1.4e-3, BC: 2.8e-3, CD: 4.5e-3}, 0, true, "", "not measured"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScript(t, filepath.Join(t.TempDir(), "j"))
			u := fan()
			u.Zones, u.Machine.Power = c.zones, c.power
			s.do(Event{Kind: KindSetup, Setup: u})
			s.look()
			if _, ok := s.j.State().Closing(); ok {
				t.Error("judged before anything was measured")
			}
			s.do(Event{Kind: KindStarted})
			s.do(Event{Kind: KindMeasured, Reading: reading(c.v, 1e-4), Overall: c.overall})
			got, ok := s.j.State().Closing()
			if !ok || got.Balanced != c.ok || !got.Judged || got.Severity[0].Zone != c.zone {
				t.Errorf("%+v, %v", got, ok)
			}
			if text := got.Smoothness(); !strings.Contains(text, c.says) {
				t.Errorf("says %q, want %q", text, c.says)
			}
		})
	}
}
