package pace

import "math"

// meter measures a speed while there is something to do. It averages over a
// window that grows with the time it has seen, so that flushes, file ends and
// the like even out, and yet follows a speed that changes for good.
//
// The first seconds are forgotten as soon as there are later ones: caches
// swallow what is written at first.
type meter struct {
	bytes, seconds float64 // faded
	age            float64 // seconds seen
	warm           bool    // the first seconds are forgotten
	lateBytes      float64 // since warmUp
	lateSeconds    float64
}

// In seconds.
const (
	warmUp       = 3.0  // what caches may swallow
	shortest     = 0.5  // below that a speed is a guess
	windowLeast  = 8.0  // of the average
	windowMost   = 180. // likewise
	windowPart   = 1. / 3
	softened     = 4.0 // weight of what was measured before things changed
	priorSeconds = 2.0 // weight of a speed that is only supposed
	priorFades   = 10. // after which it has none
)

// add takes in that n bytes passed in dt seconds. Time in which nothing passed
// counts and fades nothing: a stall slows the average down by its own length.
func (m *meter) add(dt float64, n int64) {
	if dt <= 0 {
		return
	}
	if n > 0 {
		window := min(max(m.age*windowPart, windowLeast), windowMost)
		fade := math.Exp(-dt / window)
		m.bytes, m.seconds = m.bytes*fade, m.seconds*fade
	}
	m.bytes += float64(n)
	m.seconds += dt
	m.age += dt
	if m.warm {
		return
	}
	if m.age > warmUp {
		m.lateBytes += float64(n)
		m.lateSeconds += dt
	}
	if m.lateSeconds >= warmUp && m.lateBytes > 0 {
		m.bytes, m.seconds, m.warm = m.lateBytes, m.lateSeconds, true
	}
}

// rate is in bytes per second; 0 when not known.
func (m *meter) rate() float64 {
	if m.seconds < shortest || m.bytes <= 0 {
		return 0
	}
	return m.bytes / m.seconds
}

// or is the measured speed, leaning on a supposed one while it is young.
func (m *meter) or(supposed float64) float64 {
	weight := priorSeconds * max(0, 1-m.age/priorFades)
	if supposed <= 0 || weight == 0 {
		return m.rate()
	}
	return (m.bytes + supposed*weight) / (m.seconds + weight)
}

// soften makes what was measured so far count little: from now on things are
// different.
func (m *meter) soften() {
	if m.seconds > softened {
		m.bytes *= softened / m.seconds
		m.seconds = softened
	}
}
