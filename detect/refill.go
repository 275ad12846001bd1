package detect

import "math"

const (
	// sharpNs is the time within which no heated diaphragm has gone nine tenths of
	// its way (common practice, no source).
	sharpNs = 5e6
	// straightMost is how much longer the second two fifths of a fall take than the
	// first ones, where gas flows out until a vent shuts. Equal times are a straight
	// line; what comes to rest as heat does (1 - exp(-t)) takes 2.7 times as long.
	straightMost = 1.5
	// What a vent let out before it shut stays out for holdTimes as long as the
	// fall took, and for holdLeast samples: longer than anything that a line, a
	// wire or a knock does.
	holdTimes = 3
	holdLeast = 8
	// refillLeast is how many samples a supply takes at least to fill up half of
	// that: a fault that ends is over from one to the next.
	refillLeast = 4
	// hurriesDepth is the share of the gauge pressure that what comes and goes on a
	// bench stays below (common practice, no source).
	hurriesDepth = 0.05
	// deepTimes is how much longer than it fell what is deeper than shockMost of the
	// gauge pressure may take to come back; heat that goes ten times as slowly as it came takes six times as long.
	deepTimes = 4.0
	// swingNs is how long after the onset it is looked whether the trace swings.
	swingNs = 100e6
	// refillNoise is how far the fall must be beyond noise.
	refillNoise = 2.5
)

// sharp tells whether the fall came faster than a heated sensor's, as far as
// samples tell, and well beyond noise.
func (n *naming) sharp() bool {
	return n.depth > 8*n.noise && n.length > 0.02 && n.fallNs() < sharpNs
}

// fallNs is how long the fall took at least, ns.
func (n *naming) fallNs() float64 { return float64(max(n.fall90-1, 0)) * float64(n.k.c.period) }

// abrupt tells whether the fall came faster than a heated sensor's, the channel's
// lag allowed for, or went straight down to where it ended.
func (n *naming) abrupt() bool {
	fall := float64(max(n.reaches(0.9)-n.reaches(0.1)-1, 0)) / 0.8 * float64(n.k.c.period)
	return n.length > 0.02 && (fall < sharpNs+2e9*n.k.c.cfg.LagS || fall < slowShockNs && n.straight())
}

// straight tells whether the fall went on at the same rate until it ended, as far
// as noise lets its first tenth be seen.
func (n *naming) straight() bool {
	deep := n.reaches(0.9) - n.k.onset
	block := max(1, int(math.Ceil(math.Pow(40*n.k.c.p.sigma()/n.depth, 2))))
	if 10*block > deep {
		return false
	}
	a, b, c := n.crosses(n.k.onset, block, 0.1, false), n.crosses(n.k.onset, block, 0.5, false), n.crosses(n.k.onset, block, 0.9, false)
	return b-a >= refillLeast && float64(c-b) < straightMost*float64(b-a)
}

// refilled tells whether the pressure went down at once, stayed there and came
// up little by little, if at all: a supply fills up what a vent let out before
// it shut. back tells that it did come up.
func (n *naming) refilled() (yes, back bool) {
	if n.depth < refillNoise*n.noise || n.course.back < -0.25*n.depth-2*n.sd ||
		n.m.disturbedFrom(n.r) < n.r.ev.Onset || n.swings() { // what comes after another departure may be hum that has begun
		return false, false
	}
	if n.hurriesBack() {
		return true, true
	}
	if !n.abrupt() {
		return false, false
	}
	held, half := n.reaches(0.9), n.leaves(0.5)
	fall := held - n.k.onset
	if half-held < max(holdTimes*fall, holdLeast) || n.depth < refillNoise*n.noise*n.burst(half) {
		return false, false
	}
	from, to := n.leaves(0.75), n.leaves(0.25)
	return to == n.to || to-from >= max(refillLeast, fall), half < n.to
}

// hurriesBack tells whether a fall too deep for anything that comes and goes went
// smoothly and came back as smoothly, far sooner than heat leaves a diaphragm, the
// more so from deeper than heat takes it: a regulator fills up what a vent let out. What
// goes with three times the time constant that it came with takes 1.5 times as
// long from three quarters to one as it took from a tenth to nine.
func (n *naming) hurriesBack() bool {
	if !n.final || n.lenient || n.length < 0.02 || n.depth < hurriesDepth*n.gauge {
		return false
	}
	fall := n.reaches(0.9) - n.reaches(0.1)
	from, to := n.leaves(0.75), n.leaves(0.25)
	if to == n.to || fall < refillLeast || to-from < max(refillLeast, fall/30) {
		return false
	}
	times := 1.5
	if n.depth > shockMost*n.gauge {
		times = deepTimes
	}
	return float64(to-from) <= times*float64(fall) && n.depth > refillNoise*n.noise*n.burst(to)
}

// swings tells whether the trace goes far beyond the line soon after the onset,
// as hum that has just begun does: what fills up comes to rest there.
func (n *naming) swings() bool {
	c := n.k.c.p.cap
	block := n.block()
	end := min(n.to, n.k.onset+int(swingNs/float64(n.k.c.period)))
	for i := n.k.onset; i+block <= end; i += max(1, block/2) {
		if v, count := c.mean(i, i+block); count > 0 && n.line(c, i+block/2)-v < -0.25*n.depth-2*n.sd {
			return true
		}
	}
	return false
}

// burst is how many times the noise before it the noise from the onset to
// sample number to is; 1 where it is not clearly more.
func (n *naming) burst(to int) float64 {
	p := n.k.c.p
	x := p.scatterOver(n.k.onset, min(to, n.k.onset+4*roughSpan)) / math.Max(p.sigma(), 1e-30)
	if x < burst {
		return 1
	}
	return x
}

// block is how many samples hide so much noise that a tenth of the fall shows.
func (n *naming) block() int {
	return min(max(1, int(math.Ceil(math.Pow(12*n.k.c.p.sigma()/n.depth, 2)))), 16)
}

// reaches is the first capture number at which the trace is below the line by
// the share of its depth.
func (n *naming) reaches(share float64) int { return n.crosses(n.k.onset, n.block(), share, false) }

// leaves is the first one behind the deepest at which it is not any more.
func (n *naming) leaves(share float64) int {
	return n.crosses(n.k.c.p.cap.find(n.deepT), n.block(), share, true)
}

// crosses is the first capture number from number from on at which the mean of a
// block of samples is not (up) or is further below the line than share.
func (n *naming) crosses(from, block int, share float64, up bool) int {
	c := n.k.c.p.cap
	for i := from; i+block <= n.to; i += max(1, block/2) {
		v, count := c.mean(i, i+block)
		if count > 0 && (n.line(c, i+block/2)-v < share*n.depth) == up {
			return i + block/2
		}
	}
	return n.to
}

// continued tells that an opening before explains the fall, or left nothing to
// fall.
func (n *naming) continued() bool { return n.final && (n.continues() || n.empty()) }
