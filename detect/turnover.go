package detect

import "math"

const (
	goneShare = 0.6  // of the squares that the tone's removal leaves: with less it has changed
	goneNoise = 4.0  // times the variance of the noise that is left then at most
	goneGain  = 0.25 // of a tone's amplitude: with less it has ended
	goneLeast = 12   // samples of a departure that a tone's change may explain, and
	goneTurn  = 0.25 // of a period at least,
	goneTurns = 4.0  // and periods at most

	settledTurns = 3 // periods after a fall until its course is no more than a parabola
)

// A turnover is a change of a tone's amplitude.
type turnover struct {
	gain float64 // new amplitude to old
	from int     // first sample of it, and
	hole int     // so many before in which it may have begun
	rest float64 // Pa^2: variance of a sample that the tone left, and
	err  float64 // Pa: error of its prediction
	most float64 // times the noise that is left then at most
}

// turned tells whether the newest period of tone o is straighter, or more nearly a
// parabola, with the tone's amplitude changed, and from which sample on that is so.
func (p *pressure) turned(o *tone) (u turnover, ok bool) {
	span := int(math.Ceil(p.rate / o.hz))
	u.from, u.most = p.cap.n-span, goneNoise
	if p.phase != calm && u.from < p.lastFall+settledTurns*span {
		return u, false // how a hole opens is no tone's doing
	}
	var e bow
	if !e.of(p, o, u.from, p.cap.n) {
		return u, false
	}
	gain := e.gain()
	white := p.sigma() * p.sigma()
	u.rest, u.err = math.Min(math.Max(white, o.rest), goneNoise*white), o.err
	rest := u.rest / float64(e.div)
	most := goneNoise
	if p.phase != calm { // a parabola tells little of a blow-down
		most = 1 + 4/math.Sqrt(float64(e.n))
	}
	if e.left(gain) > goneShare*e.left(0) || e.left(gain) > most*rest*float64(e.n) {
		return u, false
	}
	u.gain = 1 + gain
	half := max(span/2, 8)
	u.hole = half
	for e.of(p, o, u.from-half, u.from) && e.left(gain) < e.left(0) {
		u.from -= half
	}
	return u, true
}

// explained is the number of the tone whose change of amplitude explains the
// departure that window w of level l sees; -1: none. With it changed the trace goes
// on along the line.
func (p *pressure) explained(l *level, w *window) (tone int, u turnover) {
	n := max(l.back(w), w.length) * l.div
	u.from, u.most = p.cap.n-n, goneNoise
	span := 8 * n
	if n < goneLeast || u.from-span < p.cap.oldest() {
		return -1, u
	}
	t0 := p.cap.t[u.from&p.cap.mask]
	v, slope, ok := p.cap.line(u.from-span, u.from-1, t0)
	if !ok {
		return -1, u
	}
	white := p.sigma() * p.sigma()
	for i := range p.pulse.tones[:p.pulse.n] {
		o := &p.pulse.tones[i]
		if turns := float64(n) * o.hz / p.rate; turns < goneTurn || turns > goneTurns {
			continue
		}
		e := bow{div: 1, n: n}
		for k := u.from; k < p.cap.n; k++ {
			j := k & p.cap.mask
			r := p.cap.v[j] - v - slope*float64(p.cap.t[j]-t0)*1e-9
			y := o.at(p.cap.t[j])
			e.vv += r * r
			e.vy += r * y
			e.yy += y * y
		}
		gain := e.gain()
		if left := e.left(gain); gain > -1.2 && left < e.vv/4 && left < white*(float64(n)+4*math.Sqrt(float64(n))) {
			u.gain, u.rest, u.err = 1+gain, math.Max(white, o.rest), o.err
			return i, u
		}
	}
	return -1, u
}

// retells tells whether a change of a tone explains the departure that window w of
// level l sees, and follows it then.
func (m *Monitor) retells(l *level, w *window, c *channel) bool {
	p := c.p
	if p.pulse.n == 0 || p.levels[0].n < p.saturated {
		return false
	}
	i, u := p.explained(l, w)
	if i < 0 {
		p.pulse.lookT = min(p.pulse.lookT, c.lastT+int64(1e9/p.pulse.tones[0].hz))
		return false
	}
	p.turn(i, u)
	m.absolve(c, u)
	return true
}

// turn changes the amplitude of tone i, which may have ended.
func (p *pressure) turn(i int, u turnover) {
	o := &p.pulse.tones[i]
	if u.gain < goneGain {
		p.untone(i, u.from)
		return
	}
	for h := range o.a {
		o.a[h] *= u.gain
		o.b[h] *= u.gain
	}
	for k := range o.table {
		o.table[k] *= u.gain
	}
	p.retake(u.from)
}
