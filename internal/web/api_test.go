package web

import (
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

var _ Fan = (*rig.Rig)(nil)

// fakeFan refuses everything while it turns, as a rotor does.
type fakeFan struct {
	state rig.State
}

func (f *fakeFan) Start() error { f.state.Motion, f.state.SupplyOn = rig.Running, true; return nil }
func (f *fakeFan) Stop()        { f.state.Motion, f.state.SupplyOn = rig.Still, false }
func (f *fakeFan) Fit(w []rotor.Weight) error {
	if f.state.SupplyOn {
		return errors.New("fitting weights refused: the rotor turns")
	}
	f.state.Weights = w
	return nil
}
func (f *fakeFan) Bend(int, float64, float64, float64) error { return nil }
func (f *fakeFan) Unplug(time.Duration)                      { f.state.Plugged = false }
func (f *fakeFan) State() rig.State                          { return f.state }
func (f *fakeFan) Planes() []rotor.Plane {
	return []rotor.Plane{{Name: "hub", Positions: rotor.EvenPositions(4, 0, rotor.WithRotation)}}
}

func getJSON[T any](t *testing.T, s *Server, path string) (v T) {
	t.Helper()
	w := send(s, "GET", home+path, "")
	if w.Code != http.StatusOK {
		t.Fatalf("%s: status %d: %s", path, w.Code, w.Body)
	}
	if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return v
}

func TestReadingInEveryUnitAndConvention(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	s := newServer(t, Config{}, f)
	// 4.81 mm/s rms at 1480.2 rpm by hand: peak 6.8024 mm/s = 0.26781 in/s
	// (25.4 mm to the inch); displacement peak = v/omega = 6.8024/155.006 mm
	// = 43.885 um, peak-to-peak 87.77 um = 3.4555 mil, lagging velocity by 90 degrees.
	for _, c := range []struct {
		scale, convention, unit, detector string
		amp, deg                          float64
	}{
		{"", "", "mm/s", "rms", 4.81, 63.1},
		{"mm/s", "against-rotation", "mm/s", "rms", 4.81, 296.9},
		{"in/s", "with-rotation", "in/s", "peak", 0.26781, 63.1},
		{"um", "with-rotation", "um", "peak-to-peak", 87.77, 333.1},
		{"mil", "against-rotation", "mil", "peak-to-peak", 3.4555, 26.9},
	} {
		m := getJSON[Measured](t, s, "/api/v1/stations/bench/reading?scale="+c.scale+"&convention="+c.convention)
		ch := m.Channels[0]
		if m.Schema != 1 || ch.Unit != c.unit || ch.Detector != c.detector || m.Revolutions != 64 || !m.Trusted {
			t.Errorf("%q: %+v", c.scale, m)
		}
		o := ch.Orders[0]
		if !(math.Abs(*o.Amplitude-c.amp) <= 2e-4*c.amp) || !(math.Abs(*o.PhaseDeg-c.deg) <= 0.01) {
			t.Errorf("scale %q, %s: %g at %g, want %g at %g", c.scale, c.convention, *o.Amplitude, *o.PhaseDeg, c.amp, c.deg)
		}
		// the relative standard error does not depend on the unit: 0.02/4.81
		if !(math.Abs(*o.StandardError / *o.Amplitude - 0.02/4.81) <= 1e-6) || !(math.Abs(*o.PhaseErrorDeg-0.02/4.81*180/math.Pi) <= 1e-6) {
			t.Errorf("scale %q: standard errors %g, %g degrees", c.scale, *o.StandardError, *o.PhaseErrorDeg)
		}
		if m.Channels[4].Unit != "raw" || m.Channels[4].Detector != "peak" {
			t.Errorf("a raw channel became %s %s", m.Channels[4].Unit, m.Channels[4].Detector)
		}
	}
	for _, bad := range []string{"?scale=furlong", "?convention=widdershins"} {
		if w := send(s, "GET", home+"/api/v1/stations/bench/reading"+bad, ""); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "write") {
			t.Errorf("%s: %d %s", bad, w.Code, w.Body)
		}
	}
}

func TestReadingKeysAreThePromise(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	w := send(newServer(t, Config{}, f), "GET", home+"/api/v1/stations/bench/reading", "")
	for _, key := range []string{`"schema":1`, `"speed_rpm"`, `"revolutions"`, `"dropped_revolutions"`, `"convention":"with-rotation"`, `"channels"`, `"name"`,
		`"unit"`, `"detector"`, `"overall"`, `"orders"`, `"order"`, `"amplitude"`, `"phase_deg"`, `"standard_error"`, `"phase_standard_error_deg"`} {
		if !strings.Contains(w.Body.String(), key) {
			t.Errorf("the answer lacks %s", key)
		}
	}
}

func TestUnknownStationsAndEarlyReadings(t *testing.T) {
	f := newFake("bench")
	s := newServer(t, Config{}, f)
	if w := send(s, "GET", home+"/api/v1/stations/nobody/reading", ""); w.Code != http.StatusNotFound || !strings.Contains(w.Body.String(), "nobody") {
		t.Errorf("an unknown station: %d %s", w.Code, w.Body)
	}
	m := getJSON[Measured](t, s, "/api/v1/stations/bench/reading")
	if m.SpeedRPM != nil || m.Trusted || len(m.Channels) != 0 {
		t.Errorf("before anything came: %+v", m)
	}
	if w := send(s, "GET", home+"/", ""); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), say("link.starting")) {
		t.Errorf("the page before anything came: %d", w.Code)
	}
}

// NaN and infinity have no word in JSON; they must become null, not an error.
func TestNonFiniteValuesAreWithheld(t *testing.T) {
	f := newFake("bench")
	snap := turning()
	nan := math.NaN()
	snap.Speed = nan
	snap.Reading.Speed = math.Inf(1)
	snap.Reading.Channels[0].Orders = []phase.Component{{Order: 1, Value: complex(nan, nan), Cov: rotor.Isotropic(nan)}}
	snap.Reading.Channels[1].Orders = []phase.Component{{Order: 1, Value: complex(math.Inf(1), 0), Cov: rotor.Isotropic(math.Inf(1))}}
	f.set(snap)
	s := newServer(t, Config{}, f)
	s.stations[0].trend.add(f.Latest())
	for _, path := range []string{"reading", "state", "trend"} {
		getJSON[map[string]any](t, s, "/api/v1/stations/bench/"+path)
	}
	for name, v := range gather(t, registry(t, s)) {
		if !finite(v) {
			t.Errorf("%s = %g", name, v)
		}
	}
}

func TestReadiness(t *testing.T) {
	a, b := newFake("a"), newFake("b")
	s := newServer(t, Config{}, a, b)
	ready := func() int { return send(s, "GET", home+"/readyz", "").Code }
	good := turning()
	down := good
	down.Link = acq.Link{State: acq.Down, Reason: "the cable is out"}
	old := good
	old.At = when.Add(-2 * staleAfter)
	if ready() != 503 {
		t.Error("ready before anything came")
	}
	a.set(good)
	if ready() != 503 {
		t.Error("ready with one of two stations")
	}
	b.set(good)
	if ready() != 200 {
		t.Error("not ready although both stations deliver")
	}
	b.set(down)
	if w := send(s, "GET", home+"/readyz", ""); w.Code != 503 || !strings.Contains(w.Body.String(), "cable") {
		t.Errorf("link down: %d %s", w.Code, w.Body)
	}
	b.set(old)
	if ready() != 503 {
		t.Error("ready although no block comes")
	}
	if send(s, "GET", home+"/healthz", "").Code != 200 {
		t.Error("not alive")
	}
}

func TestStateWords(t *testing.T) {
	f := newFake("bench")
	s := newServer(t, Config{}, f)
	state := func(snap station.Snapshot) State {
		f.set(snap)
		return getJSON[State](t, s, "/api/v1/stations/bench/state")
	}
	good := turning()
	if st := state(good); st.Trust.Level != "good" || st.Link.Level != "good" || st.Channels[0].Amplitude.Text != "4.81" ||
		st.Channels[0].Amplitude.Error != "0.07" || st.Speed.Text != "1480.2" {
		t.Errorf("a healthy station: %+v", st)
	}
	flagged := turning()
	flagged.Reading.Flags = []phase.Flag{{Code: phase.SpeedUnsteady, Text: "The speed varied by 2 %."}}
	if st := state(flagged); st.Trust.Level != "care" || st.Trust.Lines[0] != "The speed varied by 2 %." {
		t.Errorf("a flag: %+v", st.Trust)
	}
	flagged.Reading.Flags[0].Fatal = true
	if st := state(flagged); st.Trust.Level != "bad" {
		t.Errorf("a fatal flag: %+v", st.Trust)
	}
	pulled := good
	pulled.Link = acq.Link{State: acq.Down, Reason: "The port is gone. Nothing is measured meanwhile. Put the cable back."}
	pulled.Motion, pulled.Speed, pulled.Reading = station.Unknown, 0, nil
	if st := state(pulled); st.Link.Level != "bad" || st.Link.Lines[0] != pulled.Link.Reason || st.Speed.Value != nil || st.Trust.Level != "none" || st.Motion.Word != say("motion.unknown") {
		t.Errorf("a pulled cable: %+v", st)
	}
	still := pulled
	still.Link, still.Motion = good.Link, station.Still
	if st := state(still); !strings.Contains(st.Motion.Lines[0], "no proof") {
		t.Errorf("standstill is stated as a fact: %+v", st.Motion)
	}
}

func TestVirtualFan(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	s := newServer(t, Config{}, f)
	post := func(body string) (int, string) {
		w := send(s, "POST", home+"/api/v1/stations/bench/fan?convention=against-rotation", body, "Origin", home)
		return w.Code, w.Body.String()
	}
	if code, text := post(`{"do":"start"}`); code != 404 || !strings.Contains(text, "no real machine") {
		t.Errorf("a real machine was switched: %d %s", code, text)
	}
	if strings.Contains(send(s, "GET", home+"/", "").Body.String(), `id="fan"`) {
		t.Error("a real machine has a switch on its page")
	}
	fan := &fakeFan{}
	s.stations[0].Fan = fan
	if !strings.Contains(send(s, "GET", home+"/", "").Body.String(), say("rig.note")) {
		t.Error("the virtual fan is not marked as virtual")
	}
	for _, c := range []struct {
		body string
		code int
		text string
	}{
		{`{"do":"fit","plane":"hub","mass_g":12.5,"angle_deg":90}`, 200, `"mass_g":12.5,"angle_deg":90`},
		{`{"do":"start"}`, 200, `"supply_on":true`},
		{`{"do":"clear"}`, 409, "refused: the rotor turns"},
		{`{"do":"stop"}`, 200, `"supply_on":false`},
		{`{"do":"unplug"}`, 200, `"plugged":false`},
		{`{"do":"explode"}`, 409, "explode"},
		{`{"do":`, 400, "JSON"},
		{`{"what":"start"}`, 400, "unknown field"},
	} {
		if code, text := post(c.body); code != c.code || !strings.Contains(text, c.text) {
			t.Errorf("%s: %d %s", c.body, code, text)
		}
	}
	if w := fan.state.Weights; len(w) != 1 || !(math.Abs(w[0].Angle+math.Pi/2) <= 1e-12) {
		t.Errorf("90 degrees against rotation became %v", w)
	}
}

func TestSettingsAreKept(t *testing.T) {
	f := newFake("bench fan")
	f.set(turning())
	s := newServer(t, Config{}, f)
	w := send(s, "POST", home+"/settings", "scale=in%2Fs&convention=against-rotation&theme=dark&station=bench+fan", "Origin", home, "Content-Type", "application/x-www-form-urlencoded")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/stations/bench%20fan" {
		t.Fatalf("%d to %s", w.Code, w.Header().Get("Location"))
	}
	c := w.Result().Cookies()[0]
	page := send(s, "GET", home+"/", "", "Cookie", c.Name+"="+c.Value).Body.String()
	for _, want := range []string{`data-theme="dark"`, "in/s peak", `data-against="true"`, "296.9"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	for _, body := range []string{"scale=furlong", "convention=x"} {
		if w := send(s, "POST", home+"/settings", body, "Origin", home, "Content-Type", "application/x-www-form-urlencoded"); w.Code != 400 {
			t.Errorf("%s: %d", body, w.Code)
		}
	}
	if page := send(s, "GET", home+"/", "", "Cookie", c.Name+"=%%%scale=nonsense").Body.String(); !strings.Contains(page, "mm/s rms") {
		t.Error("a spoilt cookie spoils the page")
	}
}

func TestSeveralStations(t *testing.T) {
	a, b := newFake("A"), newFake("B & <co>")
	a.set(turning())
	s := newServer(t, Config{}, a, b)
	page := send(s, "GET", home+"/", "").Body.String()
	if !strings.Contains(page, `href="/stations/A"`) || !strings.Contains(page, "B &amp; &lt;co&gt;") || strings.Contains(page, "<co>") {
		t.Errorf("the list is wrong: %s", page)
	}
	if w := send(s, "GET", home+stationPath("B & <co>"), ""); w.Code != 200 {
		t.Errorf("the second station: %d", w.Code)
	}
	if _, err := New(Config{Stations: []*Station{{Source: a}, {Source: newFake("A")}}}); err == nil {
		t.Error("two stations of one name were accepted")
	}
	if _, err := New(Config{}); err == nil {
		t.Error("no station was accepted")
	}
}

func TestPictures(t *testing.T) {
	f := newFake("bench")
	s := newServer(t, Config{}, f)
	s.stations[0].Config.Machine = rotor.Machine{Blades: 6, LineHz: 60}
	f.set(turning())
	at := func(what, query string) string { return "/api/v1/stations/bench/" + what + "?" + query }
	sp := getJSON[Spectrum](t, s, at("spectrum", "channel=DE-H&scale=um"))
	// 6.8 mm/s peak at 24.67 Hz: 2 v/(2 pi f) = 87.7 um peak-to-peak
	if want := 2 * 6.8e3 / (2 * math.Pi * 1480.2 / 60); sp.Unit != "µm peak-to-peak" || !(math.Abs(sp.Peaks[0].Level-want) <= 0.01*want) {
		t.Errorf("the largest peak is %g %s, want %g", sp.Peaks[0].Level, sp.Unit, want)
	}
	named := map[string]bool{}
	for _, p := range sp.Peaks {
		named[p.Name] = p.Why != ""
		if p.Name == "1x" && !(math.Abs(p.Hz-1480.2/60) <= 0.05) {
			t.Errorf("1x at %g Hz", p.Hz)
		}
	}
	for _, name := range []string{"1x", "2x", "blade pass", "twice line frequency"} {
		if !named[name] {
			t.Errorf("no peak is called %s with its reason: %+v", name, sp.Peaks)
		}
	}
	if len(sp.Axes) != 3 || !(math.Abs(sp.Axes[2].PerHz*1480.2/60-1) <= 1e-9) || sp.Axes[1].PerHz != 60 {
		t.Errorf("axes %+v", sp.Axes)
	}
	if raw := getJSON[Spectrum](t, s, at("spectrum", "channel=probe")); raw.Unit != "raw peak" {
		t.Errorf("a raw spectrum is in %s", raw.Unit)
	}
	w := getJSON[Waveform](t, s, at("waveform", "channel=DE-H&scale=in%2Fs"))
	if w.Unit != "in/s" || len(w.Values) != 1000 || len(w.Marks) != 5 || !(math.Abs(w.Marks[0]-0.01) <= 1e-9) || !(math.Abs(w.Values[0]*25.4-6.8*math.Cos(1)-1.3) <= 0.01) {
		t.Errorf("waveform in %s, %d values from %g, marks %v", w.Unit, len(w.Values), w.Values[0], w.Marks)
	}
	for _, what := range []string{"spectrum", "waveform"} {
		if got := send(s, "GET", home+at(what, "channel=nobody"), ""); got.Code != 404 || !strings.Contains(got.Body.String(), "nobody") {
			t.Errorf("%s of an unknown channel: %d %s", what, got.Code, got.Body)
		}
		if got := send(s, "GET", home+at(what, "channel=DE-H&scale=x"), ""); got.Code != 400 {
			t.Errorf("%s in an unknown scale: %d", what, got.Code)
		}
	}
	bare := turning()
	bare.Spectra, bare.Waveform, bare.Motion = nil, nil, station.Unknown
	f.set(bare)
	for _, what := range []string{"spectrum", "waveform"} {
		if got := send(s, "GET", home+at(what, "channel=DE-H"), ""); got.Code != http.StatusNoContent {
			t.Errorf("%s before there is one: %d", what, got.Code)
		}
	}
}

func TestZonesAndLevels(t *testing.T) {
	f := newFake("bench")
	f.set(turning())
	s := newServer(t, Config{}, f)
	s.stations[0].Config.Machine.Power = 2200
	st := getJSON[State](t, s, "/api/v1/stations/bench/state")
	// class I, up to 15 kW (ISO 10816-1 annex B, from memory): 0.71, 1.8, 4.5 mm/s
	for i, want := range []struct{ text, zone string }{{"5.32", "D"}, {"2.66", "C"}, {"1.77", "B"}, {"1.33", "B"}, {"0.0100", ""}} {
		if c := st.Channels[i]; c.Overall.Text != want.text || c.Zone != want.zone {
			t.Errorf("%s: %s in zone %q, want %s in %q", c.Name, c.Overall.Text, c.Zone, want.text, want.zone)
		}
	}
	if !strings.Contains(st.LevelNote, rotor.FromMemory) {
		t.Errorf("the preset hides that it is from memory: %q", st.LevelNote)
	}
	m := getJSON[Measured](t, s, "/api/v1/stations/bench/reading?scale=um")
	if c := m.Channels[0]; c.Measures != "peak-to-peak" || !(math.Abs(*c.Overall-88) <= 1e-9) {
		t.Errorf("displacement level: %+v", c)
	}
}
