package detect

import (
	"math"

	"ventward/daq"
)

const (
	ringSpan   = 4096 // samples after a fall in which ringing is looked for
	ringSigma  = 8.0  // a swing upwards of so many standard deviations is ringing
	ringShare  = 0.02 // and of this share of the fall before it
	slackSigma = 8.0  // standard deviations of a block mean by which a fall must have
	slackShare = 0.75 // slackened, to less than this share of what a hole would let out
	steeper    = 1.25 // a fall this much steeper than any before it is a fresh one

	oneNs  = int64(1500e3) // falls closer than this are one
	ringNs = int64(40e6)   // after an opening in which ringing is looked for
	faster = 1.5           // a second opening drains the rest at least so much faster
	alike  = 1.2           // the same for one that comes later
	// drainsLeast is how far, in emptying times, a blow-down must have come for its
	// rate to tell.
	drainsLeast = 0.1

	swungShare = 0.3 // of a swing that the one before had the other way

	drainedMost = 0.25 // share of the gauge pressure below which it counts as drained
	emptySigma  = 40.0 // how many standard deviations of a mean a fall of next to nothing must be
)

// rings tells whether the fall that window w sees may be the line's ringing
// after the fall before: the trace has swung back upwards since, and is now no
// steeper than it was.
func (p *pressure) rings(l *level, w *window) bool {
	now := p.cap.n
	from := p.lastFall
	if from == 0 || from < p.cap.oldest() || now-from > ringSpan || p.phase != falling || l.div > 1 {
		return false
	}
	block := max(2, w.length/2)
	newest := p.steepest(now-w.length-block/2, now, block)
	before := p.steepest(from, now-w.length, block)
	if newest >= steeper*before {
		return false
	}
	sd := p.sigma() / math.Sqrt(float64(block))
	return p.upswing(from, now, block) > max(ringSigma*sd, ringShare*p.depth(from, now)) || p.slackens(from, now-w.length, block, sd)
}

// swung tells whether the n samples before the newest, which came back, are the
// line's ringing after a fall: more than a spike has, no further than noise from a
// smooth curve through the samples round them, or a swing after one the other way.
func (p *pressure) swung(n int) bool {
	last := p.cap.n - 1
	if p.phase != falling || last-p.lastFall > ringSpan || last-2*n-3 < max(p.lastFall, p.cap.oldest()) {
		return false
	}
	if p.cap.t[last&p.cap.mask]-p.cap.t[p.lastFall&p.cap.mask] > ringNs {
		return false
	}
	off := p.leaves(last-n, n, 0)
	least := spikeSigma * p.sigma()
	return n > spikeLen || math.Abs(off) < least || math.Abs(p.leaves(last-n, n, 1)) < least ||
		p.leaves(last-2*n-1, n, 0)*off < -swungShare*off*off
}

// leaves is how far the n samples from first on are from the chord between the
// samples round them, or, with bend 1, from the parabola through those and one more;
// upwards counts as positive.
func (p *pressure) leaves(first, n int, bend float64) (far float64) {
	v0, v1, v2 := p.cap.at(first-2), p.cap.at(first-1), p.cap.at(first+n)
	slope := (v2 - v1) / float64(n+1)
	curve := bend * (slope - (v1 - v0)) / float64(n+2)
	for i := 1; i <= n; i++ {
		x := float64(i)
		if d := p.cap.at(first+i-1) - v1 - slope*x - curve*x*(x-float64(n+1)); math.Abs(d) > math.Abs(far) {
			far = d
		}
	}
	return far
}

// slackens tells whether the fall in [from, to) has gone down, since it was
// steepest, by far more than the pressure lost explains: the flow through a hole
// goes with the pressure, and what swings about it is the line. sd is that of a
// block mean.
func (p *pressure) slackens(from, to, block int, sd float64) bool {
	most, least, at := 0.0, math.Inf(1), 0
	for i := max(from, p.cap.oldest()); i+2*block <= to; i += max(1, block/2) {
		a, na := p.cap.mean(i, i+block)
		b, nb := p.cap.mean(i+block, i+2*block)
		if na == 0 || nb == 0 {
			continue
		}
		if a-b > most {
			most, least, at = a-b, math.Inf(1), i
		}
		least = math.Min(least, a-b)
	}
	noise := slackSigma * sd
	if at == 0 || p.cap.t[(to-1)&p.cap.mask]-p.cap.t[at&p.cap.mask] > ringNs {
		return false
	}
	return least+noise < slackShare*(most-noise)*p.cap.at(to-1)/p.cap.at(at)
}

// steepest is the largest fall from one mean of block samples to the next, in
// [from, to).
func (p *pressure) steepest(from, to, block int) float64 {
	most := 0.0
	for i := max(from, p.cap.oldest()); i+2*block <= to; i += max(1, block/2) {
		a, na := p.cap.mean(i, i+block)
		b, nb := p.cap.mean(i+block, i+2*block)
		if na > 0 && nb > 0 {
			most = math.Max(most, a-b)
		}
	}
	return most
}

// upswing is the largest rise from a mean of block samples to a later one.
func (p *pressure) upswing(from, to, block int) float64 {
	least, most := math.Inf(1), 0.0
	for i := max(from, p.cap.oldest()); i+block <= to; i += max(1, block/2) {
		if v, n := p.cap.mean(i, i+block); n > 0 {
			least = math.Min(least, v)
			most = math.Max(most, v-least)
		}
	}
	return most
}

// depth is how far the trace fell in [from, to).
func (p *pressure) depth(from, to int) float64 {
	a, na := p.cap.mean(from, from+2)
	b, nb := p.cap.mean(to-2, to)
	if na == 0 || nb == 0 {
		return 0
	}
	return math.Max(0, a-b)
}

// continues tells whether a fall soon after another only goes on with it: the
// share of the pressure that goes in a second is hardly more than before, as
// the line's ringing or a transducer's lag bends the trace.
func (n *naming) continues() bool {
	prev := n.m.openBefore(n.r)
	if prev == nil || prev.seat != n.r.seat {
		return false
	}
	since := n.t - prev.ev.Onset
	if since < oneNs {
		return true
	}
	if since > ringNs {
		return n.final && n.drains(prev)
	}
	lag := int64(n.k.c.cfg.LagS * 1e9)
	before, ok := n.drained(prev.ev.Onset-2*n.k.c.period, n.t)
	after, good := n.drainsAfter(since)
	return ok && good && before > 0 && after < faster*before/float64(since-min(lag, since/3))
}

// drainsAfter is the fall from the onset on in emptying times at choked flow a ns,
// over as long as span or until most is out: what is left then says little. ok
// tells that the trace is there.
func (n *naming) drainsAfter(span int64) (rate float64, ok bool) {
	least := 4 * n.k.c.period
	span = max(span, least)
	for ; span > least; span -= span / 4 {
		if v, count := n.k.c.p.meanNear(n.t+span, n.k.c.period); count > 0 && n.k.gauge(v) > drainedMost*n.gauge {
			break
		}
	}
	if n.t+span > n.k.c.lastT {
		return 0, false
	}
	after, ok := n.drained(n.t, n.t+span)
	return after / float64(span), ok
}

// hastens tells whether what is left after an opening before leaves far faster,
// from the onset on, than it did just before.
func (n *naming) hastens() bool {
	prev := n.m.openBefore(n.r)
	if prev == nil || n.depth < emptySigma*n.sd {
		return false
	}
	fall := max(int64(n.fall90)*n.k.c.period, 4*n.k.c.period)
	span := min(n.t-prev.ev.Onset, 2*fall)
	before, ok := n.drained(n.t-span, n.t)
	after, good := n.drainsAfter(fall)
	return ok && good && after > againTimes*before/float64(span)
}

// drains tells whether a fall late in a blow-down only goes on with it, as far
// as the whole of it tells, so that a pump's pulses and hum don't count.
func (n *naming) drains(prev *record) bool {
	since := n.t - prev.ev.Onset
	left := n.k.c.p.cap.t[(n.to-1)&n.k.c.p.cap.mask] - n.t - 2*n.k.c.period
	before, ok := n.drained(prev.ev.Onset, n.t)
	after, good := n.drainsAfter(min(since, left))
	return ok && good && before > drainsLeast && after < alike*before/float64(since)
}

// drained is how long, in emptying times at choked flow, a hole takes for what
// the trace falls from time t0 to t1: near ambient pressure it takes longer. ok
// tells that the trace is there.
func (n *naming) drained(t0, t1 int64) (times float64, ok bool) {
	p, period := n.k.c.p, n.k.c.period
	a, na := p.meanNear(t0, period)
	b, nb := p.meanNear(t1, period)
	up := n.k.ambient // to absolute
	if n.k.c.cfg.Reference == daq.Absolute {
		up = 0
	}
	return blowDown(a+up, b+up, n.k.ambient), na > 0 && nb > 0
}

// blowDown is the integral of dp/(p f) from pressure b up to a, both Pa absolute,
// with f the outflow against ambient relative to the choked one: 1 beyond the
// critical ratio, from there on an ellipse, which meets Saint-Venant and
// Wantzel's formula within a few per cent. What is next to ambient is left out.
func blowDown(a, b, ambient float64) float64 {
	const steps, critical = 32, 0.53
	least := 1.02 * ambient
	a, b = math.Max(a, least), math.Max(b, least)
	sum, step := 0.0, math.Log(a/b)/steps
	for i := range steps {
		x := ambient / (b * math.Exp((float64(i)+0.5)*step))
		f := 1.0
		if x > critical {
			y := (x - critical) / (1 - critical)
			f = math.Sqrt(1 - y*y)
		}
		sum += step / f
	}
	return sum
}

// meanNear is the mean of the three samples round time t.
func (p *pressure) meanNear(t, period int64) (float64, int) {
	return p.cap.mean(p.cap.find(t-period-period/2), p.cap.find(t+period+period/2))
}
