package rig

import "math"

// motion is the speed of the rotor and the angle that it has turned through.
//
//	J Om' = T_motor - k Om^2 - T_friction
//
// The motor gives its starting torque until slip takes it down: it is an
// induction motor's straight part with a lid on it.
type motion struct {
	drive  *Drive
	supply bool
	speed  float64 // rad/s, of the equation
	wander float64 // part of 1, slow wander of the speed
	omega  float64 // rad/s, with wander
	phi    float64 // rad, 0 <= phi < 2 pi
	turns  uint64
	pull   float64 // rad, phase of twice the supply frequency
}

// settled says that running speed is reached.
func (m *motion) settled() bool {
	return m.supply && math.Abs(m.speed-m.drive.Run) < 1e-3*m.drive.Run
}

// accelerate carries the speed over dt seconds; n is a standard normal number.
func (m *motion) accelerate(dt, n float64) {
	d := m.drive
	drag := d.load() * m.speed * m.speed
	if m.speed > 0 {
		drag += d.Friction
	}
	torque := 0.0
	if m.supply {
		rated := d.load()*d.Run*d.Run + d.Friction
		sync := d.Run / (1 - d.Slip)
		torque = min(rated*(sync-m.speed)/(sync-d.Run), rated*d.StartTorque)
	}
	m.speed = max(0, m.speed+dt*(torque-drag)/d.Inertia)
	if m.supply {
		if m.pull += 4 * math.Pi * d.SupplyHz * dt; m.pull > 2*math.Pi {
			m.pull -= 2 * math.Pi
		}
		m.wander += d.Wander * math.Sqrt(2*dt/d.WanderTau) * n
	}
	m.wander -= m.wander * dt / d.WanderTau
	m.omega = m.speed * (1 + m.wander)
}

// turn carries the angle over dt seconds and returns the part of dt at which
// each mark passes, for marks marks a turn; marks fall at multiples of
// 2 pi/marks.
func (m *motion) turn(dt float64, marks int, at []float64) []float64 {
	step := m.omega * dt
	pitch := 2 * math.Pi / float64(marks)
	next := pitch * (math.Floor(m.phi/pitch) + 1)
	m.phi += step
	for ; next <= m.phi; next += pitch {
		at = append(at, 1-(m.phi-next)/step)
	}
	for m.phi >= 2*math.Pi {
		m.phi -= 2 * math.Pi
		m.turns++
	}
	return at
}
