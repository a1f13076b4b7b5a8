package balance

import (
	"bytes"
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
)

// scipyScript is an independent general-purpose optimiser doing the same: numpy's
// least squares for the plain case, scipy's SLSQP from our answer and from least
// squares for min-max and caps, with the exact constraints.
const scipyScript = `
import json, sys, time
import numpy as np
from scipy.optimize import minimize
out = []
for q in json.load(sys.stdin):
    n, P = len(q["v0"]), len(q["a"][0])
    v0 = np.array([complex(*z) for z in q["v0"]])
    A = np.array([[complex(*z) for z in r] for r in q["a"]])
    w = np.linalg.lstsq(A, -v0, rcond=None)[0]
    unit = max(abs(w).max(), 1e-30)
    size = abs(v0).max()
    V, B = v0 / size, A * unit / size
    def cx(x): return x[:P] + 1j * x[P:2*P]
    def res(x): return V + B @ cx(x)
    caps = [c / unit for c in q["caps"]]
    ours = np.array([complex(*z) for z in q["ours"]]) / unit
    cons = [{"type": "ineq", "fun": (lambda x, k=k, c=c: c*c - abs(cx(x)[k])**2)} for k, c in enumerate(caps) if c > 0]
    inside = all(c <= 0 or abs(z) <= c * (1 + 1e-9) for z, c in zip(ours, caps))
    best, took = np.inf, np.inf
    starts = [ours * 0.98, np.array([z if c <= 0 or abs(z) <= c else z/abs(z)*c*0.95 for z, c in zip(w / unit, caps)])]
    for s in starts:
        x = np.concatenate([s.real, s.imag])
        t0 = time.perf_counter()
        if q["minmax"]:
            x = np.append(x, abs(res(x)).max() * 1.01)
            c2 = cons + [{"type": "ineq", "fun": lambda x: x[-1]**2 - abs(res(x))**2}]
            r = minimize(lambda x: x[-1], x, constraints=c2, method="SLSQP", options={"ftol": 1e-15, "maxiter": 500})
            val = abs(res(r.x)).max()
        else:
            r = minimize(lambda x: np.sum(abs(res(x))**2), x, constraints=cons, method="SLSQP", options={"ftol": 1e-15, "maxiter": 500})
            val = np.sum(abs(res(r.x))**2)
        took = min(took, time.perf_counter() - t0)
        ok = all(c <= 0 or abs(z) <= c * (1 + 1e-9) for z, c in zip(cx(r.x), caps))
        if ok: best = min(best, val)
    xo = np.concatenate([ours.real, ours.imag])
    mine = abs(res(xo)).max() if q["minmax"] else np.sum(abs(res(xo))**2)
    out.append({"w": [[z.real, z.imag] for z in w], "inside": bool(inside), "ours": float(mine), "best": float(best), "seconds": took})
json.dump(out, sys.stdout)
`

type scipyProblem struct {
	V0     [][2]float64   `json:"v0"`
	A      [][][2]float64 `json:"a"`
	Caps   []float64      `json:"caps"`
	MinMax bool           `json:"minmax"`
	Ours   [][2]float64   `json:"ours"`
}

type scipyAnswer struct {
	W       [][2]float64 `json:"w"`
	Inside  bool         `json:"inside"`
	Ours    float64      `json:"ours"`
	Best    float64      `json:"best"`
	Seconds float64      `json:"seconds"`
}

func pairs(z []complex128) (out [][2]float64) {
	for _, x := range z {
		out = append(out, [2]float64{real(x), imag(x)})
	}
	return out
}

// needsScipy skips where the reference is not installed, and fails in CI.
func needsScipy(t testing.TB) {
	t.Helper()
	if err := exec.Command("/usr/bin/python3", "-c", "import numpy, scipy").Run(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("CI must have python3 with numpy and scipy: %v", err)
		}
		t.Skipf("no /usr/bin/python3 with numpy and scipy here (%v); CI has them", err)
	}
}

func askScipy(t testing.TB, qs []scipyProblem) []scipyAnswer {
	t.Helper()
	in, err := json.Marshal(qs)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("/usr/bin/python3", "-c", scipyScript)
	cmd.Stdin = bytes.NewReader(in)
	cmd.Stderr = os.Stderr
	b, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var as []scipyAnswer
	if err := json.Unmarshal(b, &as); err != nil {
		t.Fatal(err)
	}
	if len(as) != len(qs) {
		t.Fatalf("%d answers to %d problems", len(as), len(qs))
	}
	return as
}

func randomProblem(r *rand.Rand, rows, planes int) problem {
	p := problem{v0: make([]complex128, rows), a: newMatrix(rows, planes)}
	for i := range p.v0 {
		p.v0[i] = complex(r.NormFloat64(), r.NormFloat64()) * 5
		for j := range planes {
			p.a.set(i, j, complex(r.NormFloat64(), r.NormFloat64())*60)
		}
	}
	return p
}

func toScipy(p problem, minmax bool, ours []complex128) scipyProblem {
	q := scipyProblem{V0: pairs(p.v0), Caps: make([]float64, p.a.cols), MinMax: minmax, Ours: pairs(ours)}
	copy(q.Caps, p.caps)
	for i := range p.a.rows {
		q.A = append(q.A, pairs(p.a.row(i)))
	}
	return q
}

func TestSolversAgainstScipy(t *testing.T) {
	needsScipy(t)
	r := rand.New(rand.NewPCG(4, 2))
	var qs []scipyProblem
	var ls [][]complex128
	for k := range 24 {
		rows, planes := 2+r.IntN(11), 1+r.IntN(3)
		rows = max(rows, planes)
		p := randomProblem(r, rows, planes)
		free := p.leastSquares()
		minmax := k%2 == 0
		if k%3 > 0 { // caps, some of which bind
			for j := range planes {
				p.caps = append(p.caps, cmplx.Abs(free[j])*(0.4+r.Float64()))
			}
		}
		method := LeastSquares
		if minmax {
			method = MinMax
		}
		w, bound, err := p.choose(method, 1e-8)
		if err != nil {
			t.Fatal(err)
		}
		worst := 0.0
		for _, x := range p.residuals(w) {
			worst = math.Max(worst, cmplx.Abs(x))
		}
		if minmax && (!(bound <= worst*(1+1e-12)) || !(worst-bound <= 1e-6*worst+1e-9)) {
			t.Errorf("problem %d: the certificate %.9g does not close on %.9g", k, bound, worst)
		}
		qs, ls = append(qs, toScipy(p, minmax, w)), append(ls, free)
	}
	for k, a := range askScipy(t, qs) {
		for j, z := range a.W {
			if d := cmplx.Abs(complex(z[0], z[1]) - ls[k][j]); !(d <= 1e-8*norm(ls[k])) {
				t.Errorf("problem %d: least squares differ by %g", k, d)
			}
		}
		if !a.Inside {
			t.Errorf("problem %d: our answer breaks a cap", k)
		}
		if !(a.Best >= a.Ours-1e-6*math.Max(1e-3, a.Ours)) {
			t.Errorf("problem %d (%d x %d, min-max %v, caps %v): scipy reaches %.9g, ours %.9g", k, len(qs[k].V0), len(qs[k].Caps), qs[k].MinMax, qs[k].Caps, a.Best, a.Ours)
		}
	}
}
