package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

// Coefficients are the influence coefficients that one job has found, with what
// must be the same before they may be trusted again.
type Coefficients struct {
	Job       string
	At        time.Time
	Print     balance.FingerPrint
	Influence [][]complex128 // [sensor][plane], peak phasor per kg
	Cov       [][]rotor.Cov  // its covariance, as in balance.Answer; nil = no error was stated
}

// SaveCoefficients keeps the coefficients of a job. Saved again for the same
// job, the newer ones count and the older ones stay.
func (s *Store) SaveCoefficients(ctx context.Context, c Coefficients) error {
	const cannot = "the coefficients were not saved"
	if err := c.check(); err != nil {
		return fmt.Errorf("%s: %w", cannot, err)
	}
	return s.write(ctx, cannot, func(tx *sql.Tx) error {
		if _, err := readNames(ctx, tx, c.Job); err != nil {
			return err
		}
		body, err := json.Marshal(c)
		if err != nil {
			return err
		}
		return addCoefficients(ctx, tx, c, body)
	})
}

func addCoefficients(ctx context.Context, tx *sql.Tx, c Coefficients, body []byte) error {
	_, err := tx.ExecContext(ctx, "INSERT INTO coefficients (job, at, print, body) VALUES (?, ?, ?, ?)",
		c.Job, stamp(c.At), printKey(c.Print), string(body))
	return err
}

// printKey is what of a fingerprint must agree to the letter. Speed and radii
// are measured and agree within the limits of FingerPrint.Differences.
func printKey(p balance.FingerPrint) string {
	b, _ := json.Marshal([]any{p.Machine, p.Sensors, len(p.Radii), p.Tach, p.Board}) // strings and a number: cannot fail
	return string(b)
}

func (c *Coefficients) check() error {
	p := c.Print
	switch {
	case p.Machine == "" || p.Tach == "" || p.Board == "":
		return fmt.Errorf("the fingerprint names no machine, no tach or no board configuration, so they could be mixed up later: complete it")
	case !(p.Speed > 0) || math.IsInf(p.Speed, 0):
		return fmt.Errorf("the fingerprint has no speed: coefficients belong to one speed")
	case len(p.Sensors) == 0 || len(p.Radii) == 0:
		return fmt.Errorf("the fingerprint names no sensors or no radii")
	case len(c.Influence) != len(p.Sensors) || c.Cov != nil && len(c.Cov) != len(p.Sensors):
		return fmt.Errorf("there are rows for %d sensors and the fingerprint names %d", len(c.Influence), len(p.Sensors))
	}
	for _, r := range p.Radii {
		if !(r > 0) || math.IsInf(r, 0) {
			return fmt.Errorf("a radius of the fingerprint is not above zero: coefficients belong to one radius per plane")
		}
	}
	for i, row := range c.Influence {
		if len(row) != len(p.Radii) || c.Cov != nil && len(c.Cov[i]) != len(p.Radii) {
			return fmt.Errorf("sensor %q has coefficients of %d planes and the fingerprint has %d", p.Sensors[i], len(row), len(p.Radii))
		}
		for k, v := range row {
			if bad := math.IsNaN(real(v)+imag(v)) || math.IsInf(real(v), 0) || math.IsInf(imag(v), 0); bad || c.Cov != nil && !usable(c.Cov[i][k]) {
				return fmt.Errorf("the coefficient of sensor %q to plane %d is no number, or its scatter is none", p.Sensors[i], k+1)
			}
		}
	}
	return nil
}

// usable tells whether a covariance is one: finite and nowhere negative.
func usable(c rotor.Cov) bool {
	sum := c.RR + c.II
	return c.RR >= 0 && c.II >= 0 && !math.IsNaN(c.RI) && !math.IsInf(sum, 0) && math.Abs(c.RI) <= sum
}

// Coefficients returns what jobs with an equal fingerprint have found, the
// newest set of each job, newest first; never one whose print differs. Equal is
// what balance.FingerPrint.Differences calls so.
func (s *Store) Coefficients(ctx context.Context, print balance.FingerPrint) ([]Coefficients, error) {
	all, err := list(ctx, s.r, scanCoefficients, "SELECT body FROM coefficients WHERE print = ? ORDER BY id DESC", printKey(print))
	if err != nil {
		return nil, fault(s.path, "the stored coefficients cannot be read", err)
	}
	seen := map[string]bool{}
	return slices.DeleteFunc(all, func(c Coefficients) bool {
		if seen[c.Job] || len(c.Print.Differences(print)) > 0 {
			return true
		}
		seen[c.Job] = true
		return false
	}), nil
}

func scanCoefficients(rows *sql.Rows) (c Coefficients, err error) {
	var body string
	if err := rows.Scan(&body); err != nil {
		return c, err
	}
	return c, json.Unmarshal([]byte(body), &c)
}

// wireCoefficients is how coefficients are stored and exported: JSON knows no
// complex numbers, so each is a pair of real and imaginary part.
type wireCoefficients struct {
	Job       string         `json:"job"`
	At        time.Time      `json:"at"`
	Machine   string         `json:"machine"`
	Sensors   []string       `json:"sensors"`
	Speed     float64        `json:"speed"`
	Radii     []float64      `json:"radii"`
	Tach      string         `json:"tach"`
	Board     string         `json:"board"`
	Influence [][][2]float64 `json:"influence"`
	Cov       [][][3]float64 `json:"cov"` // RR, RI, II; null = no error was stated
}

// MarshalJSON writes coefficients as they are stored.
func (c Coefficients) MarshalJSON() ([]byte, error) {
	w := wireCoefficients{Job: c.Job, At: c.At, Machine: c.Print.Machine, Sensors: c.Print.Sensors, Speed: c.Print.Speed,
		Radii: c.Print.Radii, Tach: c.Print.Tach, Board: c.Print.Board}
	w.Influence = table(c.Influence, func(v complex128) [2]float64 { return [2]float64{real(v), imag(v)} })
	w.Cov = table(c.Cov, func(v rotor.Cov) [3]float64 { return [3]float64{v.RR, v.RI, v.II} })
	return json.Marshal(w)
}

// UnmarshalJSON is the inverse of MarshalJSON.
func (c *Coefficients) UnmarshalJSON(b []byte) error {
	var w wireCoefficients
	if err := json.Unmarshal(b, &w); err != nil {
		return err
	}
	*c = Coefficients{Job: w.Job, At: w.At, Print: balance.FingerPrint{Machine: w.Machine, Sensors: w.Sensors, Speed: w.Speed,
		Radii: w.Radii, Tach: w.Tach, Board: w.Board}}
	c.Influence = table(w.Influence, func(v [2]float64) complex128 { return complex(v[0], v[1]) })
	c.Cov = table(w.Cov, func(v [3]float64) rotor.Cov { return rotor.Cov{RR: v[0], RI: v[1], II: v[2]} })
	return nil
}

// table converts every entry of rows; nil stays nil.
func table[A, B any](rows [][]A, convert func(A) B) [][]B {
	if rows == nil {
		return nil
	}
	out := make([][]B, len(rows))
	for i, row := range rows {
		out[i] = make([]B, len(row))
		for k, v := range row {
			out[i][k] = convert(v)
		}
	}
	return out
}
