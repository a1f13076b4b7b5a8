package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"

	"counterpoise/internal/balance"
	"counterpoise/internal/blades"
	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
)

// massOrGeometry: the couple is measured by two noisy trial runs, the blades by
// a noisy survey; the truth is what straightening all blades would take away.
func massOrGeometry(ctx context.Context, w io.Writer) error {
	fmt.Fprintln(w, "Geometry or mass: readings 0.05 mm/s and 1 % (sd), weights placed to 1 % and 1 deg, survey errors 0.3 mm and 0.3 deg; bends 0.3 to 9 mm, unbalance 0.5 to 8 mm/s; 1000 fans a row.")
	fmt.Fprintln(w, "fan       | air known to the tool | truly geometry | straighten | weights | undecided | wrong")
	for _, own := range []bool{false, true} {
		r := rand.New(rand.NewPCG(21, 4))
		calls := map[string]int{}
		wrong, geometry := 0, 0
		for range 1000 {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			size := math.Exp(math.Log(0.3e-3) + r.Float64()*math.Log(30))  // 0.3 to 9 mm
			worst := math.Exp(math.Log(0.5e-3) + r.Float64()*math.Log(16)) // 0.5 to 8 mm/s
			b, err := newBentRig(r, "bench-fan", size, 1*degree*size/3e-3, worst)
			if err != nil {
				return err
			}
			code, err := b.judge(r, own)
			if err != nil {
				return err
			}
			truth, err := b.trulyGeometry()
			if err != nil {
				return err
			}
			calls[code]++
			if truth {
				geometry++
			}
			if code == "straighten" && !truth || code == "weights" && truth {
				wrong++
			}
		}
		name := "integrated for it"
		if own {
			name = "chord and radii only"
		}
		fmt.Fprintf(w, "bench-fan | %-21s | %14d | %10d | %7d | %9d | %d\n", name, geometry, calls["straighten"], calls["weights"], calls["undecided"], wrong)
	}
	return nil
}

// judge measures, surveys and asks.
func (b *bentRig) judge(r *rand.Rand, own bool) (string, error) {
	ans, err := b.twoPlanes(r)
	if err != nil {
		return "", err
	}
	res, err := blades.Judge(b.survey(r, 0.3e-3, 0.3*degree, own))
	if err != nil {
		return "", err
	}
	e := blades.Evidence{Survey: res, Sensors: b.sensors()}
	if e.Couple, e.Static, e.CoupleCov, e.CoupleKnown = job.MeasuredCouple(b.planes, ans, b.d.WheelZ); !e.CoupleKnown {
		return "", fmt.Errorf("the solver states no error: %v", ans.Verdicts)
	}
	return blades.MassOrGeometry(e).Code, nil
}

// twoPlanes runs as found and two trials, with errors, and solves.
func (b *bentRig) twoPlanes(r *rand.Rand) (balance.Answer, error) {
	c := balance.Case{Planes: b.planes, Errors: balance.Errors{Mass: 0.01, Angle: 1 * degree, Repeat: 0.01}}
	for i := range b.sensors() {
		c.Sensors = append(c.Sensors, balance.Sensor{Name: fmt.Sprint(i + 1)})
	}
	c.Runs = append(c.Runs, b.read(r, "as found", nil))
	for _, p := range b.planes {
		stated := rotor.Weight{Plane: p.Name, Mass: 0.015, Angle: 2 * math.Pi * r.Float64(), Radius: p.Radius}
		fitted := stated
		fitted.Mass *= 1 + 0.01*r.NormFloat64()
		fitted.Angle += degree * r.NormFloat64()
		if err := b.Fit([]rotor.Weight{fitted}); err != nil {
			return balance.Answer{}, err
		}
		c.Runs = append(c.Runs, b.read(r, "trial", []rotor.Weight{stated}))
	}
	if err := b.Fit(nil); err != nil {
		return balance.Answer{}, err
	}
	return balance.Solve(c, balance.Options{})
}

func (b *bentRig) read(r *rand.Rand, name string, ws []rotor.Weight) balance.Run {
	const sd = 0.05e-3
	run := balance.Run{Name: name, Weights: ws, Speed: b.run}
	for _, v := range b.vectors() {
		rep := 0.01 * cmplx.Abs(v)
		run.Vectors = append(run.Vectors, balance.Vector{V: v + normal(r, math.Hypot(sd, rep)), Cov: rotor.Isotropic(sd * sd), Known: true})
	}
	return run
}

// trulyGeometry straightens every blade and looks how much couple goes.
func (b *bentRig) trulyGeometry() (bool, error) {
	before := b.vectors()
	for _, x := range b.Blades() {
		if err := b.Bend(x.Number, 0, 0, 0); err != nil {
			return false, err
		}
	}
	left := b.coupleOf(b.vectors())
	return cmplx.Abs(b.coupleOf(before)-left) > cmplx.Abs(left), nil
}

// coupleOf solves the exact vectors for the couple by least squares over the
// exact answers to couple and static unbalance.
func (b *bentRig) coupleOf(v []complex128) complex128 {
	var cc, uu, cu, cv, uv complex128
	for s, a := range b.answers {
		cc += cmplx.Conj(a.Couple) * a.Couple
		uu += cmplx.Conj(a.Static) * a.Static
		cu += cmplx.Conj(a.Couple) * a.Static
		cv += cmplx.Conj(a.Couple) * v[s]
		uv += cmplx.Conj(a.Static) * v[s]
	}
	return (cv*uu - cu*uv) / (cc*uu - cu*cmplx.Conj(cu))
}
