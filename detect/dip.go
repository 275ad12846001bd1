package detect

import "math"

// The skin's dip at a first venting.
const (
	dipAheadNs = int64(8e9) // of the line that the dip is measured from
	dipAfterNs = int64(8e9)
	// of three values' noise, what their mean keeps: neighbours share readings in the
	// median that they are of (computed for white noise)
	dipMean = 0.8
	dipSure = 3.0 // standard deviations that a dip is beyond its noise
)

// dip measures how far the skin fell below the line that it was on before the
// first venting.
func (t *thermal) dip(m *Monitor) {
	r := m.book.at(t.vent)
	at := t.ventAt
	t.ventAt = 0
	if r == nil || r.ev.Kind != FirstVenting {
		return
	}
	v, rate, ok := t.skin.line(at-dipAheadNs, at)
	dip, n := t.skin.below(at, at+dipAfterNs, v, rate)
	if t.skin.wires.reversed {
		r.ev.without("dip_C", "the wires of the skin's thermocouple seem to be reversed")
	} else if !ok || n < 3 {
		r.ev.without("dip_C", "no valid skin temperature round the venting")
	} else {
		r.ev.DipC = ptr(dip)
		t.undipped(r, at, n)
	}
	m.book.revise(r)
}

// undipped doubts a first venting whose skin shows no dip beyond its noise and
// what the line before it may be off by: gas that was let in looks the same. The
// dip is the deepest of n values, of which noise makes one deeper.
func (t *thermal) undipped(r *record, at int64, n int) {
	sd, rateU := t.skin.scatter(at-dipAheadNs, at)
	ahead := float64(dipAheadNs/2+dipAfterNs) * 1e-9
	slows := 0.0 // what a heater that heats more and more slowly is below a straight line
	_, rate, ok := t.skin.line(at-dipAheadNs, at)
	if _, earlier, ok1 := t.skin.line(at-2*dipAheadNs, at-dipAheadNs); ok && ok1 {
		slows = math.Max(0, earlier-rate) * float64(dipAfterNs) * 1e-9
	}
	deepest := math.Sqrt(dipSure*dipSure + 2*math.Log(math.Max(1, float64(n)/3)))
	slows = math.Max(slows, t.skin.bent(at-dipAheadNs, at, dipAfterNs))
	if *r.ev.DipC > slows+math.Hypot(deepest*dipMean*sd, dipSure*rateU*ahead) {
		return
	}
	t.doubt(r, "the skin shows no dip: a first venting, or gas that was let in")
}

// doubt makes the kind of the newest first venting uncertain: a later rise may
// then be the cell's, until it runs away.
func (t *thermal) doubt(r *record, why string) {
	r.ev.flag(FlagKindUncertain)
	r.ev.without("kind", why)
	t.open = true
	t.unsure++
}

// mistrust takes back the dip that a skin whose wires are reversed has shown:
// it was the heater's rise.
func (t *thermal) mistrust(m *Monitor) {
	r := m.book.at(t.vent)
	if t.vent == 0 || r == nil || r.ev.Kind != FirstVenting || r.ev.DipC == nil || r.ev.Has(FlagKindUncertain) {
		return
	}
	r.ev.DipC = nil
	r.ev.without("dip_C", "the wires of the skin's thermocouple seem to be reversed")
	t.doubt(r, "its dip was read from a skin whose wires seem to be reversed")
	m.book.revise(r)
}

// below is how far the values in [from, to] fall below the line that has the
// value v at from and goes on at rate, per s: of means of three, so that one
// noisy value is no dip. n is how many there were.
func (c *tempCourse) below(from, to int64, v, rate float64) (deepest float64, n int) {
	var last [3]float64
	for k := 1; k <= min(c.n, courseLen); k++ {
		i := (c.n - k) & courseMask
		if c.t[i] < from || c.t[i] > to {
			continue
		}
		last[n%3] = v + rate*float64(c.t[i]-from)*1e-9 - c.v[i]
		if n++; n >= 3 {
			deepest = math.Max(deepest, (last[0]+last[1]+last[2])/3)
		}
	}
	return deepest, n
}

// bent is how far below their line the values in [from, to] lead if they go on
// bending downwards for after (ns), as where a heater is switched off; 0 where
// they are straight as far as their noise tells.
func (c *tempCourse) bent(from, to, after int64) float64 {
	v, rate, ok := c.line(from, to)
	sd, _ := c.scatter(from, to)
	half := float64(to-from) * 0.5e-9
	var g2, gr float64 // of the parabola that has no mean and no slope over the stretch
	for k := 1; ok && k <= min(c.n, courseLen); k++ {
		i := (c.n - k) & courseMask
		if c.t[i] < from || c.t[i] > to {
			continue
		}
		x := float64(c.t[i]-to)*1e-9 + half
		g := x*x - half*half/3
		g2 += g * g
		gr += g * (c.v[i] - v - rate*(x-half))
	}
	if !ok || g2 == 0 || gr > -dipSure*sd*math.Sqrt(g2) {
		return 0
	}
	x := half + float64(after)*1e-9
	return -gr / g2 * (x*x - half*half/3)
}
