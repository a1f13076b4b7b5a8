package acq

import "math"

// clockError estimates how far the board's clock is from the host's, from the
// host times at which blocks arrived. Bytes are only ever late, by waiting in
// drivers and cables, so of every second only the least late block counts; a
// line through these gives the rate and, from its residuals, the error of the
// rate.
type clockError struct {
	known          bool
	tick0          uint64
	host0          float64
	bin            float64 // end of the second that is being filled, s on the board's clock
	least          float64 // smallest host minus board time in it
	leastAt        float64
	n              float64
	sx, sy         float64
	sxx, sxy, syy  float64
	ppm, ppmStdErr float64
}

// add takes the host time (s, any origin) at which the tick had arrived.
func (e *clockError) add(host float64, tick uint64, hz float64) {
	if !e.known {
		*e = clockError{known: true, tick0: tick, host0: host, bin: 1, least: math.Inf(1)}
	}
	board := float64(tick-e.tick0) / hz
	if board >= e.bin {
		e.line(e.leastAt, e.least)
		e.bin, e.least = math.Floor(board)+1, math.Inf(1)
	}
	if late := host - e.host0 - board; late < e.least {
		e.least, e.leastAt = late, board
	}
}

// line adds a point to the least-squares line of lateness over board time. A
// board that is fast by d shows lateness that falls by d a second.
func (e *clockError) line(x, y float64) {
	e.n++
	e.sx += x
	e.sy += y
	e.sxx += x * x
	e.sxy += x * y
	e.syy += y * y
	if e.n < 5 {
		return
	}
	dx := e.sxx - e.sx*e.sx/e.n
	dxy := e.sxy - e.sx*e.sy/e.n
	dy := e.syy - e.sy*e.sy/e.n
	slope := dxy / dx
	left := max(0, dy-slope*dxy)
	e.ppm = -1e6 * slope
	e.ppmStdErr = max(1e6*math.Sqrt(left/(e.n-2)/dx), 1e-3)
}

// reset begins anew after the link was lost or the board restarted.
func (e *clockError) reset() { *e = clockError{} }
