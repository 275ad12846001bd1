package sim

// relay is the hard watchdog relay that the outputs' supply runs through. Each
// edge of the heartbeat coil restarts its time; a constant level, 0 or 1, lets
// it run out. Once closed and run out it latches until it is reset.
type relay struct {
	time    float64 // s
	closed  bool
	latched bool
	level   bool
	edges   int     // since it was reset or made
	last    float64 // time of the last edge, s
}

// heartbeat takes the coil's level at t and tells whether the relay closed.
func (w *relay) heartbeat(level bool, t float64) (changed bool) {
	if level == w.level {
		return false
	}
	w.level = level
	if t-w.last > w.time {
		w.edges = 0
	}
	w.edges++
	w.last = t
	if !w.closed && !w.latched && w.edges >= 2 { // one edge alone is no heartbeat
		w.closed = true
		return true
	}
	return false
}

// check opens the relay when no edge came in time, and tells so.
func (w *relay) check(t float64) (changed bool) {
	if w.closed && t-w.last > w.time {
		w.closed, w.latched = false, true
		return true
	}
	return false
}

// reset takes the latch away; the relay closes again with the next heartbeat.
func (w *relay) reset() { w.latched, w.edges = false, 0 }
