package running

import (
	"fmt"
	"math"
	"strings"

	"counterpoise/internal/blades"
	"counterpoise/internal/phase"
)

// Moved is what one blade does between standstill and speed.
type Moved struct {
	Static    float64 // m, from the mean, at the sensor's radius
	Moved     float64 // m, running less what the common share leaves of Static
	MovedSD   float64
	StandsOut bool // it moves otherwise than the rest, beyond chance
}

// Comparison sets the running wheel beside the survey at standstill.
type Comparison struct {
	Blades  []Moved // by number, NaN where either is missing
	Share   float64 // of the deflections at standstill that is left at speed, common to all blades; NaN = too small to tell
	ShareSD float64
	Notes   []string
}

// Compare sets heights beside those of a survey at standstill. One share is
// fitted to all blades, for the centrifugal force straightens them alike; a blade
// that moves otherwise is soft, loose or cracked, or was read wrongly. Depths
// read elsewhere than the sensor looks are brought there as tilts about the root.
func (r *Result) Compare(static *blades.Survey) (*Comparison, error) {
	if static.Blades != len(r.Blades) {
		return nil, fmt.Errorf("the survey at standstill has %d blades and %d pass the sensor: compare surveys of one wheel", static.Blades, len(r.Blades))
	}
	g, _, err := blades.Reduce(static)
	if err != nil {
		return nil, err
	}
	if !g.Track.Given {
		return nil, fmt.Errorf("the survey at standstill holds no complete track, so there is nothing to compare with: read a depth at every blade")
	}
	scale := 1.0
	read := static.ReadRadius
	if read == 0 {
		read = static.TipRadius
	}
	if hub := static.HubRadius; r.cfg.Radius > hub && read > hub && hub > 0 {
		scale = (r.cfg.Radius - hub) / (read - hub)
	}
	c := &Comparison{Blades: make([]Moved, len(r.Blades)), Share: math.NaN(), ShareSD: math.NaN()}
	var mean, n float64
	for i, b := range r.Blades {
		c.Blades[i] = Moved{Static: math.NaN(), Moved: math.NaN(), MovedSD: math.NaN()}
		if b.Seen && !math.IsNaN(g.Track.Value[i]) {
			mean, n = mean+g.Track.Value[i]*scale, n+1
		}
	}
	if n < 2 {
		return nil, fmt.Errorf("fewer than two blades were both read at standstill and seen running, so there is nothing to compare")
	}
	var xx, xy, noise float64
	for i, b := range r.Blades {
		if !b.Seen || math.IsNaN(g.Track.Value[i]) {
			continue
		}
		x := g.Track.Value[i]*scale - mean/n
		c.Blades[i].Static = x
		xx += x * x
		xy += x * b.Height
		noise += sq(scale*g.Track.SD[i]) / n
	}
	share := 1.0
	if attenuated := xx - noise*(n-1); attenuated > 3*noise*math.Sqrt(n) {
		// Errors of the ruler make the slope too small by their part of the spread.
		share = xy / attenuated
		c.Share, c.ShareSD = share, math.Sqrt((sq(r.HeightSD)+sq(share)*noise)/attenuated)
	}
	var out []string
	for i, b := range r.Blades {
		m := &c.Blades[i]
		if math.IsNaN(m.Static) {
			continue
		}
		m.Moved = b.Height - share*m.Static
		m.MovedSD = math.Hypot(b.HeightSD, share*scale*g.Track.SD[i])
		// One in a hundred wheels may point at a sound blade.
		if math.Abs(m.Moved) > phase.TLimit(1-0.01/n, r.DoF)*m.MovedSD {
			m.StandsOut = true
			out = append(out, fmt.Sprint(b.Number))
		}
	}
	if len(out) > 0 {
		c.Notes = append(c.Notes, fmt.Sprintf("Blade %s moves between standstill and speed otherwise than the rest: look at its root for play or a crack, or read it again at standstill.", strings.Join(out, ", ")))
	}
	return c, nil
}

// Steady reports whether the newest turns that would be used run at one speed:
// a run-up must not be averaged into a height.
func (t *Track) Steady() bool {
	if len(t.kept) < fewTurns {
		return false
	}
	low, high := math.Inf(1), 0.0
	for _, u := range t.kept {
		low, high = math.Min(low, u.seconds), math.Max(high, u.seconds)
	}
	return high < 1.03*low
}
