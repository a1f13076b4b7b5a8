package detective

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"counterpoise/internal/balance"
)

// Finding is one slip and how well it explains the job.
type Finding struct {
	Slip   Slip
	Also   []Slip  // slips that would have put the very same thing on the rotor
	Run    int     // index of the run of the case where it was made; -1 = all runs
	What   string  // what was done, where
	Advice string  // what to do about it
	Odds   float64 // probability among the usual slips, one of them having been made
	Chi2   float64 // misfit that is left if this is what happened
	Turn   float64 // rad by which the phase was moved; PhaseMoved only

	Case balance.Case // the case as it reads if this is what happened: solve it again once the slip is confirmed
}

// Report is what the detective says.
type Report struct {
	Checked     bool      // the runs hold more readings than unknowns
	Assumed     bool      // some readings state no error: 2 % of the largest vector was assumed, and the odds are only as good as that
	Chi2        float64   // misfit of the job as recorded
	DoF         float64   // its degrees of freedom
	P           float64   // probability of a misfit this large by chance
	Ratio       float64   // how many times better the usual slips explain the runs than no slip does
	Alarm       bool      // P below 1 % or Ratio above 200: something was recorded that did not happen
	Unexplained bool      // alarm, and no usual slip explains it either
	Findings    []Finding // likeliest first, odds above 1 %; only after an alarm
	Alike       int       // the first so many findings cannot be told apart by these runs
	Blind       []string  // slips that would leave these runs looking good: not excluded
	Text        string    // one or two sentences
}

const (
	alarmAt = 0.01 // probability of a misfit that large by chance
	ratioAt = 200  // likelihood ratio; by chance it is passed in less than one job of so many
	alike   = 0.2  // odds relative to the likeliest above which two findings are not told apart
)

// Inspect checks whether the runs of a case agree, and names the usual slip that
// explains it best where they do not. It needs vectors with phase.
func Inspect(c balance.Case) Report {
	if why := unusable(c); why != "" {
		return Report{Text: why}
	}
	j, index, guessed := numbers(c)
	if len(index) == 0 {
		return Report{Text: "No run has readings with phase: whether the runs agree cannot be checked."}
	}
	fs := follow(c, index)
	j.weigh(c, fs)
	null := j.fit()
	out := Report{Chi2: null.chi2, DoF: null.dof, Assumed: guessed}
	if !(null.dof >= 2) {
		out.Text = "These runs hold no more readings than unknowns, so a slip cannot show: add a proof run."
		return out
	}
	out.Checked = true
	out.P = survival(null.dof, null.chi2)
	found := score(*j, c, index, fs)
	kinds := map[Slip]bool{}
	for _, f := range found {
		kinds[f.Slip] = true
		for _, s := range f.Also {
			kinds[s] = true
		}
		out.Ratio += math.Exp(math.Min((null.score-f.score)/2, 600))
	}
	out.Ratio /= math.Max(1, float64(len(kinds)))
	out.Alarm = out.P < alarmAt || out.Ratio > ratioAt
	if out.Alarm {
		out.name(found)
		for i := range out.Findings {
			f := &out.Findings[i]
			f.Case = found[i].made.rewrite(c, index, f.Turn)
		}
	} else {
		out.blind(found, null)
	}
	return out
}

func unusable(c balance.Case) string {
	switch {
	case len(c.Runs) == 0 || len(c.Sensors) == 0 || len(c.Planes) == 0:
		return "There are no runs to check."
	case slices.ContainsFunc(c.Runs, func(r balance.Run) bool { return len(r.Vectors) != len(c.Sensors) }):
		return "A run does not have one vector for each sensor: the runs cannot be compared."
	}
	for _, r := range c.Runs {
		for _, v := range r.Vectors {
			if !v.Missing && (cmplx.IsNaN(v.V) || cmplx.IsInf(v.V) || !(v.Cov.PerAxis() >= 0) || math.IsInf(v.Cov.PerAxis(), 0)) {
				return "A vector or its error is not a number: take that reading again or mark it missing."
			}
		}
		for _, w := range r.Weights {
			if x := w.Phasor(0); cmplx.IsNaN(x) || cmplx.IsInf(x) {
				return "A weight is not a number: correct the record of that run."
			}
		}
	}
	return ""
}

// scored is a suspect after its refit.
type scored struct {
	Finding
	made  suspect
	prior float64 // -2 ln(share of the ways to make this slip)
	score float64 // -2 ln(likelihood x prior)
	dof   float64
}

// score refits every suspect. Every kind of slip is taken to be as likely as
// another, and each way to make it as likely as the other ways. Slips that put
// the same thing on the rotor are one suspect; what changes nothing is none.
func score(j job, c balance.Case, index []int, fs []fitted) (out []scored) {
	var jobs []*job
	ways := map[Slip]int{}
	for _, s := range suspects(c, index, fs) {
		r := s.apply(j, c)
		if s.weights != nil {
			if same(r.w, j.w) {
				continue
			}
			if at := slices.IndexFunc(jobs, func(q *job) bool { return q.turn == nil && sameSlice(q.v, r.v) && same(q.w, r.w) }); at >= 0 {
				if f := &out[at].Finding; f.Slip != s.slip && !slices.Contains(f.Also, s.slip) {
					f.Also = append(f.Also, s.slip)
					ways[s.slip]++
				}
				continue
			}
		}
		ways[s.slip]++
		m := r.fit()
		run := -1
		if s.run >= 0 {
			run = index[s.run]
		}
		f := scored{Finding: Finding{Slip: s.slip, Run: run, What: s.text, Advice: advice[s.slip], Chi2: m.chi2}, made: s, score: m.score, dof: m.dof}
		if s.phase {
			f.Turn, f.dof = m.turn, f.dof-1
		}
		out, jobs = append(out, f), append(jobs, r)
	}
	for i := range out {
		share := 1 / float64(ways[out[i].Slip])
		for _, s := range out[i].Also {
			share += 1 / float64(ways[s])
		}
		out[i].prior = -2 * math.Log(share)
		out[i].score += out[i].prior
	}
	return out
}

// same compares what stood on the rotor, to a millionth of the largest weight.
func same(a, b [][]complex128) bool {
	var most, off float64
	for r := range a {
		for p := range a[r] {
			most = math.Max(most, cmplx.Abs(a[r][p]))
			off = math.Max(off, cmplx.Abs(a[r][p]-b[r][p]))
		}
	}
	return off <= 1e-6*most
}

// sameSlice tells whether both hold the records as they were taken.
func sameSlice(a, b [][]complex128) bool { return &a[0] == &b[0] }

// survival is the probability of a misfit above chi2 by chance.
func survival(dof, chi2 float64) float64 { return distuv.ChiSquared{K: dof}.Survival(chi2) }

// name orders the findings after an alarm.
func (o *Report) name(found []scored) {
	slices.SortStableFunc(found, func(a, b scored) int { return cmp.Compare(a.score, b.score) })
	var total float64
	for _, f := range found {
		total += math.Exp((found[0].score - f.score) / 2)
	}
	o.Unexplained = found[0].dof > 0 && survival(found[0].dof, found[0].Chi2) < 1e-3
	for i, f := range found {
		f.Odds = math.Exp((found[0].score-f.score)/2) / total
		if i > 0 && f.Odds < 0.01 {
			break
		}
		o.Findings = append(o.Findings, f.Finding)
		if f.Odds >= alike*o.Findings[0].Odds {
			o.Alike = i + 1
		}
	}
	o.say()
}

func (o *Report) say() {
	head := fmt.Sprintf("The runs do not agree: the misfit is %.3g where %.3g is usual", o.Chi2, o.DoF)
	switch {
	case len(o.Findings) == 0:
		o.Text = head + "."
	case o.Unexplained:
		o.Text = head + ", and none of the usual slips explains it: look for a change of speed, load or temperature, a loose part or a rub, and repeat the as-found run."
	case o.Alike > 1:
		var whats []string
		for _, f := range o.Findings[:min(o.Alike, 3)] {
			whats = append(whats, fmt.Sprintf("%s (%.0f %%)", f.What, 100*f.Odds))
		}
		o.Text = fmt.Sprintf("%s. These cannot be told apart by the runs: %s. %s", head, strings.Join(whats, "; or "), o.Findings[0].Advice)
	default:
		o.Text = fmt.Sprintf("%s. Likeliest: %s (%.0f %%). %s", head, o.Findings[0].What, 100*o.Findings[0].Odds, o.Findings[0].Advice)
	}
}

// blind lists the slips that would have left the runs looking as good.
func (o *Report) blind(found []scored, null misfit) {
	for _, f := range found {
		if f.score-f.prior <= null.score+2 {
			o.Blind = append(o.Blind, f.What)
		}
	}
	o.Text = fmt.Sprintf("The runs agree: the misfit is %.3g where %.3g is usual.", o.Chi2, o.DoF)
	if len(o.Blind) > 0 {
		o.Text += fmt.Sprintf(" These runs could not show it if %s.", strings.Join(o.Blind[:min(3, len(o.Blind))], ", or if "))
	}
}
