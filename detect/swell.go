package detect

import (
	"math"

	"ventward/daq"
)

// A first venting may take seconds: the gas then comes too slowly for a step.
// What tells it from a vessel that only warms is that the pressure rises by more
// than the heat that the thermocouples see can make the gas expand. (Judgements,
// no source.)
const (
	swellHeld  = 128 // means held
	swellMask  = swellHeld - 1
	swellSigma = 8.0  // standard deviations of what a window sees,
	swellOwn   = 5.0  // and times what it has seen of itself
	swellLooks = 16   // looks at that, before it is believed
	swellBend  = 2.5  // times what the bend before it leads on to
	swellPart  = 2e-3 // of the absolute pressure at least, where the gas temperature is measured
	swellBlind = 4e-3 // and where it is not
	swellWarm  = 1.5  // times what the gas was seen to warm by, and
	swellSkin  = 0.3  // times what the skin did: the gas lies behind it
	swellHotK  = 20.0 // that the skin is above the room: gas comes of a hot cell
)

// swellSpans are the windows, in means; a baseline is twice as long.
var swellSpans = [...]int{4, 8, 16, 32}

// A swell follows the means of the vessel's pressure.
type swell struct {
	t   [swellHeld]int64 // ends of the means, ns
	v   [swellHeld]float64
	n   int
	own [len(swellSpans)]spread // of what each window sees, relative to its standard deviation
	hit int                     // number of the mean at which a window last saw a rise
	cap [2]int                  // capture numbers at which the newest two means began
}

// push takes a mean that ended at t; one that comes late begins anew.
func (s *swell) push(t int64, v float64) {
	if s.n > 1 {
		a, b := s.t[(s.n-1)&swellMask], s.t[(s.n-2)&swellMask]
		if t-a > 3*(a-b) {
			s.n = 0
		}
	}
	s.t[s.n&swellMask], s.v[s.n&swellMask] = t, v
	s.n++
}

// A swellFit is what a window of means sees against the line and the parabola
// through the means before it.
type swellFit struct {
	rise  float64 // Pa, of the newest two means above the line
	bow   float64 // Pa, of the parabola above the line there; 0: it bends downwards
	bowSD float64
	sd    float64 // of rise
	base  float64 // Pa, of the line at the newest mean
	slope float64 // Pa a mean
}

// fit looks at the newest span means; sd is the standard deviation of a mean by
// its noise.
func (s *swell) fit(span int, sd float64) swellFit {
	n := 2 * span
	c := float64(n)
	mid := (c - 1) / 2
	var s0, s1, s2, ss float64
	ref := s.v[(s.n-1-span)&swellMask]
	for j := range n {
		x, y := mid-float64(j), s.v[(s.n-1-span-j)&swellMask]-ref
		s0, s1, s2, ss = s0+y, s1+x*y, s2+x*x*y, ss+y*y
	}
	var f swellFit
	norm := c * (c*c - 1) / 12
	norm2 := c * (c*c - 1) * (c*c - 4) / 180
	f.slope = s1 / norm
	curve := (s2 - (c*c-1)/12*s0) / norm2
	rest := (ss - s0*s0/c - f.slope*s1 - curve*curve*norm2) / (c - 3)
	sd = math.Max(sd, math.Sqrt(math.Max(0, rest)))
	x := mid + float64(span) - 0.5 // of the newest two
	f.base = ref + s0/c + f.slope*(x+0.5)
	f.rise = (s.v[(s.n-1)&swellMask]+s.v[(s.n-2)&swellMask])/2 - ref - s0/c - f.slope*x
	g := x*x - (c*c-1)/12
	f.bow, f.bowSD = math.Max(0, curve*g), math.Abs(g)*sd/math.Sqrt(norm2)
	f.sd = sd * math.Sqrt(0.5+1/c+x*x/norm)
	return f
}

// swells tells whether a window shows a rise that is neither noise nor a bend
// going on. It returns the window's span; 0: none does.
func (s *swell) swells(sd float64) (f swellFit, span int) {
	for k, w := range swellSpans {
		if s.n < 3*w {
			break
		}
		f := s.fit(w, sd)
		own := &s.own[k]
		seen := 1.0
		if own.n >= swellLooks {
			seen = math.Max(1, math.Sqrt(own.v))
		}
		z := f.rise / f.sd
		if own.n >= swellLooks && f.rise > 0 && z > math.Max(swellSigma, swellOwn*seen) && f.rise > swellBend*f.bow+bendSigma*f.bowSD {
			return f, w
		}
		own.push(math.Min(z*z, 16*seen*seen), 512)
	}
	return swellFit{}, 0
}

// began is how many means ago the newest span of them left the line: the change
// of slope that explains them best.
func (s *swell) began(f *swellFit, span int) int {
	var sum, weighed float64
	best, at := -1.0, span
	for k := range span + span/2 {
		r := s.v[(s.n-1-k)&swellMask] - f.base + f.slope*float64(k)
		sum += r
		weighed += r * float64(k)
		m := float64(k + 1)
		t := m*sum - weighed
		if g := t * t * 6 / (m * (m + 1) * (2*m + 1)); t > 0 && g > best {
			best, at = g, k+1
		}
	}
	return at
}

// swellFitNs is how long before the trigger a rise may have begun whose onset is
// fitted.
const swellFitNs = int64(1e9)

// swelling looks for a first venting that takes seconds, each time that a mean
// of the vessel's pressure is complete.
func (t *thermal) swelling(m *Monitor, c *channel) {
	p := c.p
	s := &p.seep
	if !t.on || p.sigma() == 0 || s.k == 0 {
		return
	}
	w := &p.swell
	w.push(c.lastT, s.v[s.k-1])
	first := w.cap[0]
	w.cap = [2]int{w.cap[1], p.cap.n}
	if !t.free() || t.ran || p.phase == falling || m.dump.open {
		return
	}
	f, span := w.swells(p.sigma() / math.Sqrt(float64(s.least)))
	if span == 0 {
		return
	}
	// A rise that is sudden is left to the pressure's own windows, which see it sooner.
	if w.hit != w.n-1 {
		w.hit = w.n
		return
	}
	w.hit = w.n
	calm, n := p.cap.calm(first, p.cap.n) // spikes are in the means
	if n == 0 || calm-f.base+f.slope/2 < f.rise/2 {
		return
	}
	back := w.began(&f, span)
	at := w.t[(w.n-1-back)&swellMask]
	if f.rise < t.warmth(m, c, f.base, w.t[(w.n-1-span)&swellMask]) {
		return
	}
	if m.supply.opened.covers(at, c.lastT-at) {
		m.supplied(c, at)
		return
	}
	mean := float64(c.lastT-w.t[(w.n-2)&swellMask]) * 1e-9
	t.issue(m, c, at, f.rise, watch{t0: c.lastT, v0: f.base, slope: f.slope / mean}, c.lastT-at)
	t.slow = c.lastT-at > swellFitNs
}

// free tells whether a first venting is still looked for: behind a doubtful one until
// the cell runs away, or rises as if it did.
func (t *thermal) free() bool {
	return t.vent == 0 || t.open && !t.ran && t.met.from == 0 && t.unsure < unsureMost
}

// warmth is the least rise (Pa) above pressure base since from that what the
// thermocouples have seen cannot make; infinite where the cell is cold.
func (t *thermal) warmth(m *Monitor, c *channel, base float64, from int64) float64 {
	if c.cfg.Reference != daq.Absolute {
		base += m.ambient
	}
	room, _ := m.roomC()
	if !t.skin.has || t.skin.n == 0 || t.skin.newest() < room+swellHotK {
		return math.Inf(1)
	}
	part, warmed := swellBlind, 2*swellSkin*t.skin.gained(from)
	if t.gas.n > 0 && !t.gas.wires.reversed {
		part, warmed = swellPart, swellSkin*t.skin.gained(from)+swellWarm*t.gas.gained(from)
	}
	return base * (part + warmed/(room+273.15))
}

// gained is by how much the temperature has risen since from, 0 where it fell.
func (c *tempCourse) gained(from int64) float64 {
	old := c.newest()
	for k := 1; k <= min(c.n, courseLen); k++ {
		i := (c.n - k) & courseMask
		if old = c.v[i]; c.t[i] <= from {
			break
		}
	}
	return math.Max(0, c.newest()-old)
}
