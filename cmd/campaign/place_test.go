package main

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
	"time"
)

func TestTry(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	for _, s := range [][2]int{{12, 8}, {16, 6}, {24, 8}, {36, 10}} {
		for range 5 {
			p, target := fieldPlane(r, s[0], s[1])
			limit := 0.02 * cmplx.Abs(target)
			t0 := time.Now()
			n, err := fewest(p, target, limit, 4)
			t1 := time.Now()
			a, err2 := question{plane: p, target: target, limit: limit}.solve(t.Context(), t.TempDir(), 20)
			t2 := time.Now()
			t.Log(s, n, err, t1.Sub(t0), a, err2, t2.Sub(t1))
			_ = math.Pi
			_ = os.Args
			_ = exec.ErrNotFound
		}
	}
}
