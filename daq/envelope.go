package daq

// envelopeBins bounds the envelope's memory: one bin a second of the window.
const envelopeBins = 120

// envelope is the line under all points (x device ns, y arrival minus x) with
// the least total distance to them: the edge of their lower convex hull over
// the mean x. Points are first thinned to the lowest of each second of x, which
// is all the hull can use.
type envelope struct {
	bins   [envelopeBins + 1]hullPoint // ring
	head   int                         // oldest
	n      int
	bin    int64 // second of the newest bin
	hull   [envelopeBins + 1]hullPoint
	slope  float64 // y = off + slope*x
	off    float64
	fitted bool // slope comes from the hull, not from the epoch before
	lowX   float64
	low    float64 // lowest point of the second just ended
	widest float64 // highest y above the line, ns
	above  float64 // running mean of y above the line, ns
}

type hullPoint struct{ x, y float64 }

// envelopeLeast is how many seconds a hull needs before its slope is better
// than that of the epoch before.
const envelopeLeast = 5

// slopeMost bounds the slope: a device ten per cent off its described rate is
// described wrongly, and its times can't be trusted in any case.
const slopeMost = 0.1

func (e *envelope) reset(slope float64) {
	e.head, e.n, e.slope, e.off, e.fitted = 0, 0, slope, 0, false
	e.widest, e.above, e.lowX, e.low = 0, 0, 0, 0
}

// at is the line at x.
func (e *envelope) at(x float64) float64 { return e.off + e.slope*x }

// spread is the mean distance of the points above the line.
func (e *envelope) spread() float64 { return e.above }

// reach is how much of x the window covers.
func (e *envelope) reach() float64 {
	if e.n < 2 {
		return 0
	}
	return e.newest().x - e.bins[e.head].x
}

func (e *envelope) newest() *hullPoint {
	return &e.bins[(e.head+e.n-1)%len(e.bins)]
}

// take adds a point. A point below the line moves the line down at once: no
// sample arrives before it was taken. It returns true when a second of x has
// ended, so that the line should be fitted again.
func (e *envelope) take(x, y, window float64) bool {
	if e.n == 0 {
		e.off = y - e.slope*x
		e.lowX, e.low = x, y
	} else if d := y - e.at(x); d < 0 {
		e.off += d
	} else {
		e.widest = max(e.widest, d)
		e.above += (d - e.above) / 256
	}
	bin := int64(x / secondNS)
	if e.n > 0 && bin == e.bin {
		if p := e.newest(); y < p.y {
			*p = hullPoint{x, y}
		}
		return false
	}
	ended := e.n > 0
	if ended {
		e.lowX, e.low = e.newest().x, e.newest().y
	}
	for e.n > 0 && (e.n == len(e.bins) || e.bins[e.head].x < x-window) {
		e.head = (e.head + 1) % len(e.bins)
		e.n--
	}
	e.n++
	*e.newest() = hullPoint{x, y}
	e.bin = bin
	return ended
}

// fit draws the line anew. The bin still open is part of the points: it can
// only lower the line, and the causality of its points must hold.
func (e *envelope) fit() {
	if e.n < envelopeLeast {
		e.shift()
		return
	}
	mean, h := 0.0, e.hull[:0]
	for i := range e.n {
		p := e.bins[(e.head+i)%len(e.bins)]
		mean += p.x
		for len(h) >= 2 && !turnsUp(h[len(h)-2], h[len(h)-1], p) {
			h = h[:len(h)-1]
		}
		h = append(h, p)
	}
	mean /= float64(e.n)
	if len(h) < 2 {
		e.shift()
		return
	}
	i := 1
	for i < len(h)-1 && h[i].x < mean {
		i++
	}
	e.slope = (h[i].y - h[i-1].y) / (h[i].x - h[i-1].x)
	e.off = h[i].y - e.slope*h[i].x
	e.fitted = true
	if e.slope < -slopeMost || e.slope > slopeMost {
		e.slope = max(-slopeMost, min(slopeMost, e.slope))
		e.shift()
	}
}

// shift keeps the slope and lays the line under the points.
func (e *envelope) shift() {
	for i := range e.n {
		p := e.bins[(e.head+i)%len(e.bins)]
		if y := p.y - e.slope*p.x; i == 0 || y < e.off {
			e.off = y
		}
	}
}

func turnsUp(a, b, p hullPoint) bool {
	return (b.x-a.x)*(p.y-a.y) > (p.x-a.x)*(b.y-a.y)
}
