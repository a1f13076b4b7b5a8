package surveyfile

import (
	"fmt"
	"math"
	"math/cmplx"
	"reflect"
	"strings"

	"counterpoise/internal/blades"
	"counterpoise/internal/rotor"
)

// Reply is the survey's answer as JSON; the keys are a promise of the program.
// Angles are in the convention of the file, track is + downstream whatever way
// the ruler grew, and what is not known is null.
type Reply struct {
	Schema     int              `json:"schema"`
	Convention rotor.Convention `json:"convention"`
	Track      *ReplyTrack      `json:"track"`
	Pitch      *ReplyPitch      `json:"pitch"`
	Couple     *ReplyVector     `json:"couple_g_mm2"`           // by mass: track, and the offset of the centre of mass
	Effective  *ReplyVector     `json:"effective_couple_g_mm2"` // with the flow's part
	Side       *ReplyVector     `json:"side_force_g_mm"`        // of pitch, as static unbalance
	Static     *ReplyVector     `json:"moment_static_g_mm"`     // of unequal moment weights and spacing
	Pair       []ReplyWeight    `json:"pair"`                   // weights that would cancel the effective couple
	Moves      []ReplyMove      `json:"moves"`
	Plan       ReplyPlan        `json:"plan"`
	Before     *ReplyStanding   `json:"before"`
	After      *ReplyStanding   `json:"after"`
	Swap       *ReplySwap       `json:"swap"`
	Predicted  []ReplyChange    `json:"predicted"` // change of 1x by the moves
	Cause      *ReplyCause      `json:"cause"`
	Measured   bool             `json:"couple_measured"` // cause rests on a measured couple
	Tolerance  ReplyTolerance   `json:"tolerance"`
	Questions  []ReplyQuestion  `json:"questions"`
	Cautions   []string         `json:"cautions"`
	Steps      []ReplyStep      `json:"steps"`
	Verdicts   []ReplyVerdict   `json:"verdicts"`
}

// ReplyTrack is the track of the set.
type ReplyTrack struct {
	Spread   float64    `json:"spread_mm"`
	Sum      float64    `json:"harmonic_sum_mm"`
	Deg      float64    `json:"harmonic_deg"`
	Radius95 float64    `json:"harmonic_radius95_mm"`
	Error    float64    `json:"reading_error_mm"`
	Basis    string     `json:"error_basis"`
	Values   []*float64 `json:"values_mm"` // from the mean, + downstream
}

// ReplyPitch is the pitch of the set.
type ReplyPitch struct {
	Spread   float64    `json:"spread_deg"`
	Sum      float64    `json:"harmonic_sum_deg"`
	Deg      float64    `json:"harmonic_deg"`
	Radius95 float64    `json:"harmonic_radius95_deg"`
	Mean     float64    `json:"mean_deg"`
	Error    float64    `json:"reading_error_deg"`
	Basis    string     `json:"error_basis"`
	Values   []*float64 `json:"values_deg"`
}

// ReplyVector is an amount with a direction.
type ReplyVector struct {
	Amount   float64  `json:"amount"`
	Deg      float64  `json:"angle_deg"`
	Radius95 *float64 `json:"radius95"`
}

// ReplyWeight is one weight of the pair.
type ReplyWeight struct {
	Plane string  `json:"plane"`
	Mass  float64 `json:"mass_g"`
	Deg   float64 `json:"angle_deg"`
}

// ReplyMove is the correction of one blade. RulerMM is how much the ruler's
// figure must change.
type ReplyMove struct {
	Blade  int      `json:"blade"`
	Track  *float64 `json:"track_mm,omitempty"`
	Toward string   `json:"toward,omitempty"`
	Ruler  *float64 `json:"ruler_mm,omitempty"`
	Pitch  *float64 `json:"pitch_deg,omitempty"`
}

// ReplyPlan tells how good the choice of blades is.
type ReplyPlan struct {
	Track *ReplySearch `json:"track"`
	Pitch *ReplySearch `json:"pitch"`
	Sure  bool         `json:"sure"` // the blades are out by more than the reading error
}

// ReplySearch is the outcome of one search for the fewest blades.
type ReplySearch struct {
	Blades int  `json:"blades"`
	Bound  int  `json:"at_least"`
	Proven bool `json:"proven"`
	Found  bool `json:"found"`
}

// ReplyStanding is what must survive the correction.
type ReplyStanding struct {
	MeanPitch     *float64 `json:"mean_pitch_deg"`
	PitchSpread   *float64 `json:"pitch_spread_deg"`
	PitchHarmonic *float64 `json:"pitch_harmonic_sum_deg"`
	TrackSpread   *float64 `json:"track_spread_mm"`
	TrackHarmonic *float64 `json:"track_harmonic_sum_mm"`
	Clearance     *float64 `json:"tip_clearance_mm"`
}

// ReplySwap says which blade goes where.
type ReplySwap struct {
	Place  []int   `json:"blade_at_place"`
	Before float64 `json:"static_before_g_mm"`
	After  float64 `json:"static_after_g_mm"`
	Exact  bool    `json:"exact"`
}

// ReplyChange is the predicted change of the 1x of one sensor: of the vector,
// and, where the sensor was read, of its amplitude.
type ReplyChange struct {
	Sensor    string   `json:"sensor"`
	Amplitude float64  `json:"amplitude"`
	Deg       float64  `json:"phase_deg"`
	Radius95  float64  `json:"radius95"`
	Now       *float64 `json:"amplitude_now,omitempty"`
	Then      *float64 `json:"amplitude_then,omitempty"` // after the moves, known to radius95
}

// Beside is what is known of the rotor beside the survey: what the runs of a
// job measured.
type Beside struct {
	Evidence blades.Evidence // the survey is filled in
	Sensors  []string
	Answers  []blades.Answer // of each sensor; nil = not known
	Now      []complex128    // what each sensor shows, in the unit of the answers; nil = not read
}

// ReplyCause is the call between mass and geometry.
type ReplyCause struct {
	Code        string       `json:"code"`
	Probability *float64     `json:"probability_geometry"`
	Text        string       `json:"text"`
	Evidence    []ReplyPiece `json:"evidence"`
	Cannot      []string     `json:"cannot_decide"`
}

// ReplyPiece is one piece of evidence.
type ReplyPiece struct {
	Code   string `json:"code"`
	Speaks string `json:"speaks_for"`
	Text   string `json:"text"`
}

// ReplyTolerance is what was judged against.
type ReplyTolerance struct {
	Name          string  `json:"name"`
	TrackSpread   float64 `json:"track_spread_mm"`
	TrackHarmonic float64 `json:"track_harmonic_mm"`
	PitchSpread   float64 `json:"pitch_spread_deg"`
	PitchHarmonic float64 `json:"pitch_harmonic_deg"`
	Source        string  `json:"source"`
	Practice      bool    `json:"common_practice"`
	HarmonicNote  string  `json:"harmonic_note"`
}

// ReplyQuestion is a reading to look at again.
type ReplyQuestion struct {
	Blade   int      `json:"blade"`
	Reading string   `json:"reading"`
	Unit    string   `json:"unit"`
	Value   *float64 `json:"value"`
	Suggest *float64 `json:"suggest"`
	Blocks  bool     `json:"blocks"`
	Code    string   `json:"code"`
	Text    string   `json:"text"`
}

// ReplyStep is one step of the work in its order.
type ReplyStep struct {
	Stage string `json:"stage"`
	Done  bool   `json:"done"`
	Text  string `json:"text"`
}

// ReplyVerdict is a judgement in words.
type ReplyVerdict struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Answer judges the file. It fails, with one sentence, only where the survey
// cannot be one.
func (f *File) Answer() (*Reply, error) { return f.AnswerBeside(nil) }

// AnswerBeside judges the file with what is known beside it, which takes the
// place of influence coefficients and a measured couple in the file.
func (f *File) AnswerBeside(b *Beside) (*Reply, error) {
	s, err := f.Survey()
	if err != nil {
		return nil, err
	}
	r, err := blades.Judge(s)
	if err != nil {
		return nil, err
	}
	a := reply(r, f.Convention)
	notes := f.unknownKeys()
	notes = append(notes, f.addPair(r, a)...)
	if b != nil {
		f.addBeside(r, a, *b)
	} else {
		notes = append(notes, f.addPrediction(r, a)...)
		f.addCause(r, a)
	}
	for _, v := range notes {
		a.Verdicts = append(a.Verdicts, ReplyVerdict(v))
	}
	return a, nil
}

func (f *File) addPair(r *blades.Result, a *Reply) []blades.Verdict {
	if len(f.Planes) == 0 || !r.Effect.CoupleKnown || r.Track == nil {
		return nil
	}
	ws, err := r.PairFor(f.planes())
	if err != nil {
		return note("pair-unknown", "%s.", upper(err.Error()))
	}
	for _, w := range ws {
		a.Pair = append(a.Pair, ReplyWeight{w.Plane, w.Mass * 1e3, f.Convention.Degrees(w.Angle)})
	}
	text := fmt.Sprintf("Against this couple by weights it would take %.3g g in %s and %.3g g opposite in %s; straightening takes none.",
		a.Pair[0].Mass, a.Pair[0].Plane, a.Pair[1].Mass, a.Pair[1].Plane)
	for i, w := range ws {
		for _, p := range f.Planes {
			if p.Name == w.Plane && p.CapG > 0 && a.Pair[i].Mass > p.CapG {
				text += fmt.Sprintf(" %s may not carry more than %.3g g.", p.Name, p.CapG)
			}
		}
	}
	return note("pair", "%s", text)
}

func (f *File) addPrediction(r *blades.Result, a *Reply) []blades.Verdict {
	if len(f.Influence) == 0 {
		return nil
	}
	ans, err := blades.Answers(f.planes(), f.influence(), f.FanZMM*mm)
	if err != nil {
		return note("prediction-unknown", "%s.", upper(err.Error()))
	}
	if len(r.Advice.Moves) == 0 {
		return nil
	}
	for i, c := range r.Advice.Change.Predict(ans) {
		name := ""
		if i < len(f.Sensors) {
			name = f.Sensors[i].Name
		}
		a.Predicted = append(a.Predicted, f.change(name, c))
	}
	return nil
}

func (f *File) change(sensor string, c blades.Change) ReplyChange {
	amp, deg := f.Convention.Polar(c.V)
	return ReplyChange{Sensor: sensor, Amplitude: amp, Deg: deg, Radius95: c.Radius95}
}

// addBeside tells what the moves will do to what was measured, and weighs the
// survey against it.
func (f *File) addBeside(r *blades.Result, a *Reply, b Beside) {
	b.Evidence.Survey, a.Measured = r, b.Evidence.CoupleKnown
	a.Cause = causeOf(blades.MassOrGeometry(b.Evidence))
	if len(r.Advice.Moves) == 0 || len(b.Answers) != len(b.Sensors) {
		return
	}
	for i, c := range r.Advice.Change.Predict(b.Answers) {
		line := f.change(b.Sensors[i], c)
		if i < len(b.Now) && !cmplx.IsNaN(b.Now[i]) {
			now, then := cmplx.Abs(b.Now[i]), cmplx.Abs(b.Now[i]+c.V)
			line.Now, line.Then = &now, &then
		}
		a.Predicted = append(a.Predicted, line)
	}
}

func (f *File) addCause(r *blades.Result, a *Reply) {
	e := blades.Evidence{Survey: r}
	if m := f.Measured; m != nil {
		e.CoupleKnown, a.Measured = true, true
		e.Couple = f.Convention.Phasor(m.Couple.Amount*1e-9, m.Couple.AngleDeg)
		e.CoupleCov = rotor.Isotropic(math.Pow(m.Couple.StandardError*1e-9, 2))
		e.Sensors = 2
	}
	a.Cause = causeOf(blades.MassOrGeometry(e))
}

func causeOf(j blades.Judgement) *ReplyCause {
	c := &ReplyCause{Code: j.Code, Probability: known(j.P, 1), Text: j.Text, Evidence: []ReplyPiece{}, Cannot: j.Cannot}
	for _, p := range j.Pieces {
		c.Evidence = append(c.Evidence, ReplyPiece(p))
	}
	return c
}

// reply turns a result into people's units and the convention c.
func reply(r *blades.Result, c rotor.Convention) *Reply {
	a := &Reply{Schema: 1, Convention: c, Moves: []ReplyMove{}, Questions: []ReplyQuestion{}, Cautions: blades.Cautions, Pair: []ReplyWeight{}, Predicted: []ReplyChange{}, Steps: []ReplyStep{}, Verdicts: []ReplyVerdict{}}
	figures(r, c, a)
	moves(r, a)
	for _, q := range r.Questions {
		a.Questions = append(a.Questions, ReplyQuestion{q.Blade, q.Kind.String(), q.Kind.Unit(), known(q.Value, q.Kind.PerSI()), known(q.Suggest, q.Kind.PerSI()), q.Blocks, q.Code, q.Text})
	}
	for _, s := range r.Advice.Steps {
		a.Steps = append(a.Steps, ReplyStep(s))
	}
	for _, v := range r.Verdicts {
		a.Verdicts = append(a.Verdicts, ReplyVerdict(v))
	}
	t := r.Limits
	a.Tolerance = ReplyTolerance{t.Name, t.TrackSpread / mm, t.TrackHarmonic / mm, t.PitchSpread / degree, t.PitchHarmonic / degree, t.Source, t.Practice,
		"No source states a limit for the first harmonic; unless it was given it is half of the spread, our proposal."}
	return a
}

func figures(r *blades.Result, c rotor.Convention, a *Reply) {
	g, e := r.Geometry, r.Effect
	if h := r.Track; h != nil {
		amp, deg := c.Polar(h.Sum)
		a.Track = &ReplyTrack{h.Spread / mm, amp / mm, deg, blades.Radius95(h.Cov) / mm, g.Track.Repeat / mm, g.Track.Basis, knownAll(g.Track.Deviations(), 1/mm)}
		if e.CoupleKnown {
			a.Couple = vector(c, e.Track+e.Tilt, 1e9, nil)
			r95 := blades.Radius95(e.CoupleCov()) * 1e9
			a.Effective = vector(c, e.Couple(), 1e9, &r95)
		}
	}
	if h := r.Pitch; h != nil {
		amp, deg := c.Polar(h.Sum)
		a.Pitch = &ReplyPitch{h.Spread / degree, amp / degree, deg, blades.Radius95(h.Cov) / degree, h.Mean / degree, g.Pitch.Repeat / degree, g.Pitch.Basis, knownAll(g.Pitch.Value, 1/degree)}
		if e.AirKnown {
			r95 := blades.Radius95(e.StaticCov()) * 1e6
			a.Side = vector(c, e.Static(), 1e6, &r95)
		}
	}
	if g.Mass.Given || g.Moment.Given || r.Survey.Angles != nil && e.CoupleKnown {
		a.Static = vector(c, e.Mass, 1e6, nil)
	}
}

func vector(c rotor.Convention, v complex128, unit float64, r95 *float64) *ReplyVector {
	amp, deg := c.Polar(v)
	return &ReplyVector{amp * unit, deg, r95}
}

func moves(r *blades.Result, a *Reply) {
	for _, m := range r.Advice.Moves {
		out := ReplyMove{Blade: m.Blade}
		side := r.Survey.Side.Sign()
		if m.Track != 0 {
			t := tidy(m.Track / mm)
			ruler := side * t
			out.Track, out.Ruler, out.Toward = &t, &ruler, blades.Downstream.String()
			if t < 0 {
				out.Toward = blades.Upstream.String()
			}
		}
		if m.Pitch != 0 {
			p := tidy(m.Pitch / degree)
			out.Pitch = &p
		}
		a.Moves = append(a.Moves, out)
	}
	a.Plan = ReplyPlan{searched(r.Advice.TrackPlan), searched(r.Advice.PitchPlan), r.SurelyOut()}
	a.Before, a.After = standing(r.Advice.Before), standing(r.Advice.After)
	if s := r.Advice.Swap; s != nil {
		a.Swap = &ReplySwap{s.Place, s.Before * 1e6, s.After * 1e6, s.Exact}
	}
}

// tidy drops what is far below any ruler's reading.
func tidy(v float64) float64 { return math.Round(v*1e4) / 1e4 }

func searched(p *blades.Plan) *ReplySearch {
	if p == nil {
		return nil
	}
	return &ReplySearch{p.Count, p.Bound, p.Proven, p.Found}
}

func standing(s blades.Standing) *ReplyStanding {
	return &ReplyStanding{known(s.MeanPitch, 1/degree), known(s.PitchSpread, 1/degree), known(s.PitchHarmonic, 1/degree),
		known(s.TrackSpread, 1/mm), known(s.TrackHarmonic, 1/mm), known(s.TipClearance, 1/mm)}
}

// known turns NaN into null.
func known(v, unit float64) *float64 {
	if math.IsNaN(v) {
		return nil
	}
	v *= unit
	return &v
}

func knownAll(v []float64, unit float64) (out []*float64) {
	for _, x := range v {
		out = append(out, known(x, unit))
	}
	return out
}

func note(code, format string, args ...any) []blades.Verdict {
	return []blades.Verdict{{Code: code, Text: fmt.Sprintf(format, args...)}}
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// fileKeys are the keys that File knows.
func fileKeys() map[string]bool {
	keys := map[string]bool{}
	t := reflect.TypeOf(File{})
	for i := range t.NumField() {
		if k := t.Field(i).Tag.Get("json"); k != "" {
			keys[k] = true
		}
	}
	return keys
}
