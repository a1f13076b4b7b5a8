package blades

import (
	"bytes"
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"counterpoise/internal/rotor"
)

// refFan and refAnswer are what testdata/reference.py reads and writes.
type refFan struct {
	X      []float64 `json:"x"`     // mm
	Theta  []float64 `json:"theta"` // deg
	Mass   []float64 `json:"mass"`  // kg
	Hub    float64   `json:"hub"`   // mm
	Tip    float64   `json:"tip"`
	Spread float64   `json:"spread"`
	Tol    float64   `json:"tol"`
	Max    float64   `json:"max"`
	Step   float64   `json:"step"`
	Search int       `json:"search"` // 1 fewest blades, 2 also with the polygon inside, 3 also the least moves
}

type refAnswer struct {
	Harmonic [2]float64 `json:"harmonic"`
	Couple   [2]float64 `json:"couple"`
	Outside  *refFewest `json:"outside"`
	Inside   *refFewest `json:"inside"`
}

type refFewest struct {
	Count int      `json:"count"`
	Total *float64 `json:"total"` // null unless asked for
}

// scipyRun runs the reference under Debian's python3 with numpy and scipy.
func scipyRun(t *testing.T, fans []refFan) []refAnswer {
	t.Helper()
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import scipy.optimize").Run(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the reference needs %s with scipy: %v", python, err)
		}
		t.Skipf("no %s with scipy here: %v", python, err)
	}
	in, err := json.Marshal(fans)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "testdata/reference.py")
	cmd.Stdin = bytes.NewReader(in)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("reference: %v\n%s", err, stderr.String())
	}
	var ans []refAnswer
	if err := json.Unmarshal(out, &ans); err != nil {
		t.Fatal(err)
	}
	if len(ans) != len(fans) {
		t.Fatalf("reference answered %d of %d fans", len(ans), len(fans))
	}
	return ans
}

func randomFan(r *rand.Rand) refFan {
	n := 3 + r.IntN(6)
	f := refFan{Hub: 50 + 200*r.Float64(), Spread: 1 + 2*r.Float64(), Tol: 0.3 + 0.7*r.Float64(), Max: 20, Search: 1}
	f.Tip = f.Hub * (1.8 + 3*r.Float64())
	switch r.IntN(4) {
	case 0:
		f.Max = 0.6 + r.Float64() // short moves need more blades
	case 1:
		f.Step = 0.25
	}
	start, uneven := 360*r.Float64(), 0.0
	if r.IntN(3) == 0 {
		uneven = 4
	}
	for i := range n {
		f.X = append(f.X, 40+r.NormFloat64())
		f.Theta = append(f.Theta, start+360*float64(i)/float64(n)+uneven*r.NormFloat64())
		f.Mass = append(f.Mass, 2)
	}
	return f
}

func (f refFan) survey() *Survey {
	s := &Survey{Blades: len(f.X), Blade1: f.Theta[0] * degree, HubRadius: f.Hub * mm, TipRadius: f.Tip * mm, BladeMass: f.Mass[0]}
	for i, x := range f.X {
		s.Angles = append(s.Angles, (f.Theta[i]-f.Theta[0])*degree)
		s.Readings = append(s.Readings, Reading{Blade: i + 1, Kind: Depth, Value: x * mm})
	}
	return s
}

// Checked against numpy and scipy (HiGHS): first harmonic, couple by quadrature
// of a tilted uniform blade, and the fewest blades with the least sum of moves.
func TestAgainstScipy(t *testing.T) {
	r := rand.New(rand.NewPCG(2024, 5))
	fans := make([]refFan, 500)
	for i := range fans {
		fans[i] = randomFan(r)
		if i%10 == 0 {
			fans[i].Search = 3
		}
	}
	ans := scipyRun(t, fans)
	var again []int
	for i, f := range fans {
		checkFigures(t, i, f, ans[i])
		if !checkFewest(t, i, f, ans[i]) {
			again = append(again, i)
		}
	}
	if len(again) > 25 {
		t.Fatalf("%d of 500 fans lie between the outside and the inside polygon; a tenth of a percent was expected", len(again))
	}
	// Where the outside polygon needs fewer blades, the inside one must not
	// need fewer than ours.
	var edge []refFan
	for _, i := range again {
		f := fans[i]
		f.Search = 2
		edge = append(edge, f)
	}
	if len(edge) == 0 {
		return
	}
	for j, a := range scipyRun(t, edge) {
		p := fewestOf(edge[j])
		if a.Inside != nil && p.Count > a.Inside.Count {
			t.Errorf("fan %d: %d blades, but a stricter circle needs only %d", again[j], p.Count, a.Inside.Count)
		}
	}
	t.Logf("500 fans, %d settled by the inside polygon", len(again))
}

func checkFigures(t *testing.T, i int, f refFan, a refAnswer) {
	t.Helper()
	res, err := Judge(f.survey())
	if err != nil {
		t.Fatalf("fan %d: %v", i, err)
	}
	amp, deg := rotor.WithRotation.Polar(res.Track.Sum)
	if !(math.Abs(amp/mm-a.Harmonic[0]) <= 1e-9) || !sameAngle(deg, a.Harmonic[1]) {
		t.Errorf("fan %d: harmonic %.9f@%.6f, reference %.9f@%.6f", i, amp/mm, deg, a.Harmonic[0], a.Harmonic[1])
	}
	c, deg := rotor.WithRotation.Polar(res.Effect.Track)
	if !(math.Abs(c*1e9/a.Couple[0]-1) <= 1e-9) || !sameAngle(deg, a.Couple[1]) {
		t.Errorf("fan %d: couple %.9g@%.6f, reference %.9g@%.6f", i, c*1e9, deg, a.Couple[0], a.Couple[1])
	}
}

func sameAngle(a, b float64) bool {
	return cmplx.Abs(cmplx.Rect(1, a*degree)-cmplx.Rect(1, b*degree)) <= 1e-6
}

func fewestOf(f refFan) Plan {
	x, th := make([]float64, len(f.X)), make([]float64, len(f.X))
	m := meanOf(f.X)
	for i := range x {
		x[i], th[i] = f.X[i]-m, f.Theta[i]*degree
	}
	return Fewest(x, th, nil, Limits{Spread: f.Spread, Harmonic: f.Tol, Max: f.Max, Step: f.Step})
}

// checkFewest returns false where the two polygons must decide.
func checkFewest(t *testing.T, i int, f refFan, a refAnswer) bool {
	t.Helper()
	p := fewestOf(f)
	switch {
	case !p.Proven:
		t.Errorf("fan %d: not proven: %+v", i, p)
	case a.Outside == nil:
		if p.Found {
			t.Errorf("fan %d: %d blades found where the reference proves that no moves exist", i, p.Count)
		}
		return true
	case !p.Found || p.Count > a.Outside.Count:
		return false
	case p.Count < a.Outside.Count:
		t.Errorf("fan %d: %d blades, the reference proves %d to be the fewest", i, p.Count, a.Outside.Count)
	case a.Outside.Total != nil:
		least := *a.Outside.Total
		if p.Total < least-1e-4 || p.Total > least+0.02*f.Tol*float64(p.Count)+f.Step+1e-4 {
			t.Errorf("fan %d: moves of %.5f mm in all, the reference needs %.5f", i, p.Total, least)
		}
	}
	return true
}
