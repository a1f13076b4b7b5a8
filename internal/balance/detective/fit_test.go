package detective

import (
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g within %g", what, got, want, tol)
	}
}

// The average of exp(x (cos phi - 1)) over the circle, by the trapezoid rule,
// which is exact to rounding for a periodic function.
func TestLogI0ByIntegration(t *testing.T) {
	for _, x := range []float64{0, 0.1, 1, 3.7, 3.8, 10, 300} {
		sum := 0.0
		const n = 2000
		for i := range n {
			sum += math.Exp(x*(math.Cos(2*math.Pi*float64(i)/n)-1)) / n
		}
		near(t, "log I0", logI0(x), math.Log(sum), 1e-6)
	}
}

// random makes a case of p planes, s sensors and r runs with weights and readings
// at random, some readings missing.
func random(r *rand.Rand, planes, sensors, runs int) balance.Case {
	c := balance.Case{}
	for p := range planes {
		c.Planes = append(c.Planes, rotor.Plane{Name: string(rune('A' + p)), Radius: 0.2})
	}
	c.Sensors = make([]balance.Sensor, sensors)
	for i := range runs {
		run := balance.Run{}
		for p := range planes {
			if i > 0 {
				run.Weights = append(run.Weights, rotor.Weight{Plane: c.Planes[p].Name, Mass: r.Float64(), Angle: 6 * r.Float64(), Radius: 0.1 + 0.2*r.Float64()})
			}
		}
		for range sensors {
			run.Vectors = append(run.Vectors, balance.Vector{V: complex(r.NormFloat64(), r.NormFloat64()), Cov: rotor.Isotropic(0.5 + r.Float64()), Known: true, Missing: r.IntN(9) == 0})
		}
		c.Runs = append(c.Runs, run)
	}
	return c
}

// The misfit and its probability agree with numpy's least squares and scipy's
// chi-squared distribution.
func TestMisfitAgainstNumpy(t *testing.T) {
	const script = `
import sys, json, numpy as np
from scipy.stats import chi2
for line in sys.stdin:
    c = json.loads(line)
    total, dof = 0.0, 0
    for rows in c:
        x = np.array([[a + 1j*b for a, b in r["x"]] for r in rows]); v = np.array([complex(*r["v"]) for r in rows]); s = np.array([r["sd"] for r in rows])
        b, _, rank, _ = np.linalg.lstsq(x / s[:, None], v / s, rcond=1e-7)
        total += float(np.sum(np.abs((v - x @ b) / s)**2)); dof += 2 * (len(rows) - int(rank))
    print(json.dumps([total, dof, float(chi2.sf(total, dof)) if dof else 1.0]))
`
	if exec.Command("/usr/bin/python3", "-c", "import numpy, scipy").Run() != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("python3 with numpy and scipy is missing")
		}
		t.Skip("python3 with numpy and scipy is missing: the misfit is not compared with theirs")
	}
	type row struct {
		X  [][2]float64 `json:"x"`
		V  [2]float64   `json:"v"`
		SD float64      `json:"sd"`
	}
	r := rand.New(rand.NewPCG(3, 8))
	var in strings.Builder
	var cases []balance.Case
	for range 40 {
		c := random(r, 1+r.IntN(2), 1+r.IntN(4), 3+r.IntN(4))
		cases = append(cases, c)
		all := make([][]row, len(c.Sensors))
		for s := range c.Sensors {
			all[s] = []row{}
			for _, run := range c.Runs {
				if v := run.Vectors[s]; !v.Missing {
					x := [][2]float64{{1, 0}}
					for _, p := range c.Planes {
						var w complex128
						for _, y := range run.Weights {
							if y.Plane == p.Name {
								w += cmplx.Rect(y.Mass*y.Radius/p.Radius, y.Angle)
							}
						}
						x = append(x, [2]float64{real(w), imag(w)})
					}
					all[s] = append(all[s], row{x, [2]float64{real(v.V), imag(v.V)}, math.Sqrt(v.Cov.RR)})
				}
			}
		}
		line, err := json.Marshal(all)
		if err != nil {
			t.Fatal(err)
		}
		in.Write(append(line, '\n'))
	}
	cmd := exec.Command("/usr/bin/python3", "-c", script)
	cmd.Stdin = strings.NewReader(in.String())
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for i, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		var want [3]float64
		if err := json.Unmarshal([]byte(line), &want); err != nil {
			t.Fatal(err)
		}
		got := Inspect(cases[i])
		near(t, "degrees of freedom", got.DoF, want[1], 0)
		near(t, "misfit", got.Chi2, want[0], 1e-8*(1+want[0]))
		if got.Checked {
			checked++
			near(t, "probability", got.P, want[2], 1e-8)
		}
	}
	if checked < 20 {
		t.Errorf("only %d of 40 cases were over-determined", checked)
	}
}
