package detect

import "math"

const (
	// fillCooling bounds the slope at which the pressure of gas falls when a fill
	// stops, relative to the ramp before: the gas was heated by compression at
	// most at (gamma-1)/gamma of the rate of pressure (isentropic compression,
	// gamma <= 1.67), and a margin.
	fillCooling = 0.5
	fastFill    = 0.5e5 // Pa/s; a slower fill leaves the gas no warmer
	coolS       = 1.0   // s in which cooling shows that it slows down
	fillS       = 8.0   // s; nor does a longer one
)

// leastSeen is the number of samples of ramp below which it is not taken to go
// on.
const leastSeen = 64

// course is what the trace did after a fall began, in the seat's own
// reference.
type course struct {
	onset   float64 // line before, at the onset, Pa
	depth   float64 // largest fall below the line continued, Pa
	deepT   int64   // when
	left    float64 // fall below the line continued, at the end, Pa
	leftSD  float64
	begun   float64 // first block mean from the onset on, Pa
	top     float64 // highest block mean from the onset on, Pa
	lenient bool    // something that comes back has been about
	back    float64 // least fall below the line after the deepest point, Pa
	lowest  float64 // lowest pressure, Pa
	lowT    int64   // when
	steep   float64 // mean slope from the onset to the lowest pressure, Pa/s
	end     float64 // pressure at the end, Pa
	before  float64 // slope before, Pa/s
	after   float64 // slope over the last third, Pa/s
	first   float64 // slope over the first third after the decision, Pa/s
	length  float64 // s from onset to end
	sd      float64 // of a block mean
	fall90  int     // samples from the onset to 90 % of depth
	equal   bool    // every sample after the decision has the same value
	n       int     // samples after the onset
	rest    float64 // slope over the last three quarters, Pa/s
	restSD  float64
	slopeSD float64 // of after, Pa/s
	fastest float64 // steepest fall from block to block, Pa/s
	blockS  float64 // s that a block takes
	sunk    bool    // but for its first quarter it lies below what a pressure can be

	// ahead of the event: when it began, for how long the line is believed to
	// go on, samples behind the line
	t    int64
	goOn float64 // s
	span int
	from int // capture numbers of the onset and the end
	to   int
}

// A survey is the newest course of an event, and of how much of the trace.
type survey struct {
	course
	ok       bool
	n, until int // samples captured, and where the event ends
}

// course measures what is there, once for each sample.
func (k *watch) course() (s course, ok bool) {
	p, known := k.c.p, &k.known
	if known.n != p.cap.n || known.until != k.until {
		*known = survey{n: p.cap.n, until: k.until}
		known.ok = k.measure(&known.course)
	}
	s = known.course
	s.lenient = p.levels[0].n < p.disturbed
	return s, known.ok
}

// measure makes a course of what is there, and tells whether it is enough.
func (k *watch) measure(s *course) bool {
	s.from, s.to = k.onset, k.c.p.cap.n
	if k.until > 0 {
		s.to = k.until
	}
	s.n = s.to - s.from
	if s.n < 5 {
		return false
	}
	k.ahead(s)
	k.blocks(s)
	return k.tail(s)
}

// ahead sets the line before the event: a longer one than the trigger's own
// where there is one and the trace does not fall, since a fall bends.
func (k *watch) ahead(s *course) {
	p := k.c.p
	dt := float64(k.c.period) * 1e-9
	s.t = p.cap.t[k.onset&p.cap.mask]
	s.length = float64(s.n) * dt
	s.onset, s.before = k.v0+k.slope*float64(s.t-k.t0)*1e-9, k.slope
	guard := max(2, int(k.ns/k.c.period)/4)
	s.span = min(k.onset-guard-k.free, max(4*s.n, 256))
	if s.span >= leastSeen/2 {
		if v, slope, good := p.cap.line(k.onset-guard-s.span, k.onset-guard, s.t); good && slope >= 0 {
			s.onset, s.before = v, slope
		}
	}
	// A ramp is believed to go on for as long as it was seen twice over.
	if k.onset-k.free >= leastSeen {
		s.goOn = 2 * float64(k.onset-k.free) * dt
	}
}

// line is the line before the event, continued to sample i of the capture. A
// fall is not continued.
func (s *course) line(p *capture, i int) float64 {
	return s.onset + math.Max(s.before, 0)*math.Min(float64(p.t[i&p.mask]-s.t)*1e-9, s.goOn)
}

// blocks follows the trace in means of about half the window that fired. What
// earlier looks have followed is not followed again.
func (k *watch) blocks(s *course) {
	p := k.c.p
	block := max(1, min(s.n/8, int(k.ns/k.c.period)/2))
	s.sd = p.sigma() / math.Sqrt(float64(block)) * math.Min(p.excess(), math.Sqrt(float64(block)))
	s.blockS = float64(block) * float64(k.c.period) * 1e-9
	if !k.past.holds(s, p.cap, block) {
		k.past = begin(s, p.cap, block)
	}
	from := k.past.next
	k.past.follow(k, s, min(s.to, p.cap.n-spikeLen))
	k.past.learn(p.cap, from)
	all := k.past // what follows may yet turn out to be a spike
	all.follow(k, s, s.to)
	all.tell(s)
}

// tail measures the slopes after the event and where it has ended.
func (k *watch) tail(s *course) bool {
	p := k.c.p
	dt := float64(k.c.period) * 1e-9
	last := max(1, min(s.n/8, int(k.ns/k.c.period)/2), s.n/8)
	v, n := p.cap.calm(s.to-last, s.to)
	if n == 0 || math.IsInf(s.lowest, 0) {
		return false
	}
	s.end = v
	s.left = s.line(p.cap, s.to-last/2) - v
	s.steep = (s.lowest - s.onset) / math.Max(float64(s.lowT-s.t)*1e-9, dt)
	_, s.after, _ = p.cap.line(s.to-s.n/3, s.to, s.t)
	_, s.rest, _ = p.cap.line(s.from+s.n/4, s.to, s.t)
	_, s.first, _ = p.cap.line(k.decide, k.decide+s.n/3, s.t)
	sigma := p.sigma() * p.excess()
	s.slopeSD = sigma * slopeSD(s.n/3) / dt
	s.restSD = sigma * slopeSD(3*s.n/4) / dt
	// the mean's own error, and that of the line carried on
	span := float64(max(s.span, leastSeen/2))
	s.leftSD = sigma * (math.Sqrt(8/float64(s.n)) + 4*float64(s.n)/(span*math.Sqrt(span)))
	s.fall90 = k.fall90(s.to, s.onset, s.depth)
	s.equal = k.equal(s.to)
	return true
}

// slopeSD is the standard deviation of a least-squares slope per value through
// n values of unit noise: sqrt(12/n^3).
func slopeSD(n int) float64 {
	m := float64(max(n, 3))
	return math.Sqrt(12 / (m * m * m))
}

// fall90 counts the samples from the onset until nine tenths of the fall.
func (k *watch) fall90(end int, onset, depth float64) int {
	p, level := k.c.p, onset-0.9*depth
	for i := k.onset; i < end; i++ {
		if p.cap.v[i&p.cap.mask] < level {
			return i - k.onset
		}
	}
	return end - k.onset
}

// equal tells whether every sample after the decision has the same value.
func (k *watch) equal(end int) bool {
	p := k.c.p
	for i := k.decide + 1; i < end; i++ {
		if p.cap.v[i&p.cap.mask] != p.cap.v[k.decide&p.cap.mask] {
			return false
		}
	}
	return end-k.decide > 4
}

// stopped tells whether the ramp went over into a level.
func (s *course) stopped() bool {
	return s.before > 0 && math.Abs(s.rest) < 0.03*s.before+3*s.restSD
}

// risesOn tells whether the ramp goes on, only slower: what bent it takes long to
// tell.
func (s *course) risesOn() bool { return s.before > 0 && s.rest > 0.2*s.before+2*s.restSD }

// returned tells whether the trace came back to the line: soon after its
// deepest point, beyond it (an oscillation), or in the end.
func (s *course) returned(final bool) bool {
	if s.depth > 4.8*s.sd {
		if s.back < -0.25*s.depth-2*s.sd || !final && s.back < 0.2*s.depth+2*s.sd {
			return true
		}
	}
	return final && s.left < 0.2*s.depth+3*s.leftSD && (s.lenient || 3*s.leftSD < 0.5*s.depth)
}

// recovers tells whether the trace is on its way back to the line.
func (s *course) recovers() bool {
	base := math.Max(s.before, 0)
	return s.left < 0.95*s.depth && (s.after > base+3*s.slopeSD || s.rest > base+4*s.restSD)
}

// coolish tells whether the fall may be gas that cools after a fast fill to
// the gauge pressure onset.
func (s *course) coolish(onset float64) bool {
	return s.before > fastFill && onset < fillS*s.before && s.first < 0 && s.first > -fillCooling*s.before
}

// doubtful tells that the slope after is not known well enough to tell a level
// from a small opening that nearly balances the ramp.
func (s *course) doubtful() bool { return 3*s.restSD > 0.3*s.before }
