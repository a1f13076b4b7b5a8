package station

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/BurntSushi/toml"

	"counterpoise/internal/rotor"
)

// Config is what station.toml says: what each station is. What happened is not
// here but in the job files.
type Config struct {
	Listen   string          // host:port of the page
	Data     string          // folder of jobs and recordings
	Hosts    []string        // further host names under which the page may be asked for
	Stations []StationConfig // at least one, names unique
}

// StationConfig describes one measured machine, in SI and inside angles.
type StationConfig struct {
	Name       string
	Source     string // a SOURCE word, see package acq
	Convention rotor.Convention
	Orders     []int // orders measured each turn; 1 is always among them
	Machine    rotor.Machine
	Planes     []rotor.Plane
	Channels   []ChannelConfig
	Beside     []BesideConfig
}

// ChannelConfig adds to a channel of the source what the source cannot know.
type ChannelConfig struct {
	Name      string
	Direction string  // where the sensor points, in words, for the report
	Tolerance float64 // m/s peak at 1x; 0 = from the balance grade
	Delay     float64 // s, added to the delay the source states

	// Of a distance sensor that sees the blades pass: where it looks, rad from the
	// tach with rotation, and at which radius, m. Radius 0 = it is none.
	Aim, AimRadius float64
}

// The file as people write it: their units, their angles.
type fileConfig struct {
	Listen  string        `toml:"listen"`
	Data    string        `toml:"data"`
	Hosts   []string      `toml:"hosts"`
	Station []fileStation `toml:"station"`
}

type fileStation struct {
	Name       string        `toml:"name"`
	Source     string        `toml:"source"`
	Convention string        `toml:"convention"`
	Orders     []int         `toml:"orders"`
	Machine    fileMachine   `toml:"machine"`
	Plane      []filePlane   `toml:"plane"`
	Channel    []fileChannel `toml:"channel"`
	Beside     []fileBeside  `toml:"beside"`
}

type fileMachine struct {
	MassKg      float64 `toml:"mass_kg"`
	Grade       float64 `toml:"grade"`
	SpeedRPM    float64 `toml:"speed_rpm"`
	MaxSpeedRPM float64 `toml:"max_speed_rpm"`
	PowerKW     float64 `toml:"power_kw"`
	Blades      int     `toml:"blades"`
	Blade1Deg   float64 `toml:"blade_1_deg"`
	LineHz      float64 `toml:"line_hz"`
	Poles       int     `toml:"poles"`
	MotorRatio  float64 `toml:"motor_ratio"`
	BeltRatio   float64 `toml:"belt_ratio"`
	Flexible    bool    `toml:"flexible_support"`
}

type filePlane struct {
	Name      string    `toml:"name"`
	RadiusMM  float64   `toml:"radius_mm"`
	ZMM       float64   `toml:"z_mm"`
	Positions int       `toml:"positions"`
	FirstDeg  float64   `toml:"first_position_deg"`
	Forbidden []int     `toml:"forbidden"`
	CapG      float64   `toml:"cap_g"`
	MaxForceN float64   `toml:"max_force_n"`
	MassesG   []float64 `toml:"masses_g"`
}

type fileChannel struct {
	Name        string  `toml:"name"`
	Direction   string  `toml:"direction"`
	ToleranceMM float64 `toml:"tolerance_mm_s"` // rms
	DelayUS     float64 `toml:"delay_us"`
	AimDeg      float64 `toml:"aim_deg"`
	AimRadiusMM float64 `toml:"aim_radius_mm"`
}

type fileBeside struct {
	Name    string  `toml:"name"`
	Station string  `toml:"station"`
	RPM     float64 `toml:"rpm"`
	Line    bool    `toml:"line"`
}

// ReadConfig reads station.toml. Every wrong value is reported with its name,
// the value and what is allowed, all at once; unknown keys are errors, because
// a misspelt key would silently measure something else.
func ReadConfig(r io.Reader) (Config, error) {
	var f fileConfig
	meta, err := toml.NewDecoder(r).Decode(&f)
	if err != nil {
		return Config{}, fmt.Errorf("the configuration is not valid TOML: %w", err)
	}
	var bad problems
	for _, k := range meta.Undecoded() {
		bad.add("%s is not a known key: check its spelling", k)
	}
	c := Config{Listen: f.Listen, Data: f.Data, Hosts: f.Hosts}
	if c.Listen == "" {
		c.Listen = DefaultListen
	}
	if c.Data == "" {
		c.Data = "counterpoise-data"
	}
	if len(f.Station) == 0 {
		bad.add("there is no [[station]]: at least one is needed, with a name and a source")
	}
	seen := map[string]bool{}
	for i, fs := range f.Station {
		at := fmt.Sprintf("station %d", i+1)
		if fs.Name != "" {
			at = fmt.Sprintf("station %q", fs.Name)
		}
		if seen[fs.Name] {
			bad.add("%s: the name is used twice", at)
		}
		seen[fs.Name] = true
		c.Stations = append(c.Stations, fs.station(at, &bad))
	}
	for i, s := range c.Stations {
		for k, b := range s.Beside {
			bad.check(b.Station == "" || seen[b.Station] && b.Station != s.Name,
				"station %d: beside %d: station = %q: the name of another station of this file", i+1, k+1, b.Station)
		}
	}
	return c, bad.err()
}

// DefaultListen is where the page is served unless told otherwise: this
// machine only.
const DefaultListen = "127.0.0.1:8640"

func (f fileStation) station(at string, bad *problems) StationConfig {
	s := StationConfig{Name: f.Name, Source: f.Source, Orders: f.Orders}
	if f.Name == "" || len(f.Name) > 64 || strings.ContainsAny(f.Name, "/\\?#%\"\n") {
		bad.add("%s: name = %q: 1 to 64 characters without / \\ ? # %% or quotes", at, f.Name)
	}
	if f.Source == "" {
		bad.add("%s: source is missing: for instance serial:/dev/ttyACM0", at)
	}
	if f.Convention != "" {
		var err error
		if s.Convention, err = rotor.ParseConvention(f.Convention); err != nil {
			bad.add("%s: %v", at, err)
		}
	}
	if len(s.Orders) == 0 {
		s.Orders = []int{1, 2, 3}
	}
	for _, o := range s.Orders {
		bad.check(o >= 1 && o <= 8, "%s: orders: %d: 1 to 8", at, o)
	}
	s.Machine = f.Machine.machine(at, f.Name, s.Convention, bad)
	for i, p := range f.Plane {
		s.Planes = append(s.Planes, p.plane(fmt.Sprintf("%s: plane %d", at, i+1), s.Convention, bad))
	}
	for i, ch := range f.Channel {
		where := fmt.Sprintf("%s: channel %d", at, i+1)
		bad.check(ch.Name != "", "%s: name is missing", where)
		bad.within(where+": tolerance_mm_s", ch.ToleranceMM, 0, 1000)
		bad.within(where+": delay_us", ch.DelayUS, -1e6, 1e6)
		bad.within(where+": aim_deg", ch.AimDeg, -360, 360)
		bad.within(where+": aim_radius_mm", ch.AimRadiusMM, 0, 1e5)
		s.Channels = append(s.Channels, ChannelConfig{
			Name: ch.Name, Direction: ch.Direction, Delay: ch.DelayUS * 1e-6,
			Tolerance: ch.ToleranceMM * 1e-3 / rotor.RMS.OfPeak(),
			Aim:       s.Convention.Radians(ch.AimDeg), AimRadius: ch.AimRadiusMM * 1e-3,
		})
	}
	for i, b := range f.Beside {
		s.Beside = append(s.Beside, b.beside(fmt.Sprintf("%s: beside %d", at, i+1), bad))
	}
	return s
}

func (f fileBeside) beside(at string, bad *problems) BesideConfig {
	bad.within(at+": rpm", f.RPM, 0, 2e5)
	ways := 0
	for _, given := range []bool{f.Station != "", f.RPM > 0, f.Line} {
		if given {
			ways++
		}
	}
	bad.check(ways == 1, "%s: say one of station = \"NAME\", rpm = SPEED and line = true: it is where the neighbour is heard", at)
	b := BesideConfig{Name: f.Name, Station: f.Station, Speed: rotor.RadPerSecond(f.RPM), Line: f.Line}
	switch {
	case b.Name != "":
	case f.Line:
		b.Name = "line frequency"
	default:
		b.Name = f.Station
	}
	bad.check(b.Name != "", "%s: name is missing", at)
	return b
}

func (m fileMachine) machine(at, name string, c rotor.Convention, bad *problems) rotor.Machine {
	at += ": machine: "
	bad.within(at+"mass_kg", m.MassKg, 0, 1e6)
	bad.within(at+"grade", m.Grade, 0, 4000)
	bad.within(at+"speed_rpm", m.SpeedRPM, 0, 2e5)
	bad.within(at+"max_speed_rpm", m.MaxSpeedRPM, 0, 2e5)
	bad.within(at+"power_kw", m.PowerKW, 0, 1e6)
	bad.within(at+"blades", float64(m.Blades), 0, 200)
	bad.within(at+"blade_1_deg", m.Blade1Deg, -360, 360)
	bad.within(at+"line_hz", m.LineHz, 0, 1000)
	bad.check(m.Poles >= 0 && m.Poles <= 100 && m.Poles%2 == 0, "%spoles = %d: an even number up to 100", at, m.Poles)
	bad.within(at+"motor_ratio", m.MotorRatio, 0, 100)
	bad.within(at+"belt_ratio", m.BeltRatio, 0, 100)
	bad.check(m.MaxSpeedRPM == 0 || m.MaxSpeedRPM >= m.SpeedRPM,
		"%smax_speed_rpm = %g is below speed_rpm = %g: give the highest speed the rotor can reach", at, m.MaxSpeedRPM, m.SpeedRPM)
	return rotor.Machine{
		Name: name, Mass: m.MassKg, Grade: m.Grade * 1e-3, Speed: rotor.RadPerSecond(m.SpeedRPM),
		MaxSpeed: rotor.RadPerSecond(m.MaxSpeedRPM), Power: m.PowerKW * 1e3, Blades: m.Blades,
		Blade1: c.Radians(m.Blade1Deg), LineHz: m.LineHz, Flexible: m.Flexible,
		Poles: m.Poles, MotorRatio: m.MotorRatio, BeltRatio: m.BeltRatio,
	}
}

func (p filePlane) plane(at string, c rotor.Convention, bad *problems) rotor.Plane {
	bad.check(p.Name != "", "%s: name is missing", at)
	bad.within(at+": radius_mm", p.RadiusMM, 0, 1e5)
	bad.within(at+": z_mm", p.ZMM, -1e5, 1e5)
	bad.within(at+": positions", float64(p.Positions), 0, 360)
	bad.within(at+": first_position_deg", p.FirstDeg, -360, 360)
	bad.within(at+": cap_g", p.CapG, 0, 1e6)
	bad.within(at+": max_force_n", p.MaxForceN, 0, 1e7)
	out := rotor.Plane{Name: p.Name, Radius: p.RadiusMM * 1e-3, Z: p.ZMM * 1e-3, Cap: p.CapG * 1e-3, MaxForce: p.MaxForceN}
	if p.Positions > 0 && p.Positions <= 360 {
		out.Positions = rotor.EvenPositions(p.Positions, c.Radians(p.FirstDeg), c)
	}
	for _, n := range p.Forbidden {
		if n < 1 || n > len(out.Positions) {
			bad.add("%s: forbidden: %d: there are positions 1 to %d", at, n, len(out.Positions))
			continue
		}
		out.Positions[n-1].Forbidden = true
	}
	for _, g := range p.MassesG {
		bad.check(g > 0 && g < 1e6, "%s: masses_g: %g: more than 0", at, g)
		out.Masses = append(out.Masses, g*1e-3)
	}
	return out
}

// problems gathers what is wrong, so that a person mends all of it at once.
type problems []string

func (p *problems) add(format string, args ...any) { *p = append(*p, fmt.Sprintf(format, args...)) }

func (p *problems) check(ok bool, format string, args ...any) {
	if !ok {
		p.add(format, args...)
	}
}

func (p *problems) within(name string, v, lo, hi float64) {
	p.check(!math.IsNaN(v) && v >= lo && v <= hi, "%s = %g: from %g to %g", name, v, lo, hi)
}

func (p problems) err() error {
	if len(p) == 0 {
		return nil
	}
	return errors.New("the configuration is not usable:\n  " + strings.Join(p, "\n  "))
}
