package detect

const (
	// doubtShare is the share of its own length for which a course is carried on.
	doubtShare = 0.25
	// stayS is how long what was doubted stays down before it is called: two
	// periods of the mains.
	stayS = 0.04
)

// A suspect is a fall that was not below all that comes and goes. Until it has come
// back, what follows is judged against what was before it.
type suspect struct {
	before lately
	until  int // value up to which that course is carried on
	fall   watch
	t      int64   // of the sample at which it was doubted
	since  int     // first value that lies wholly behind that sample
	thr    float64 // Pa that its window lay below the line at least
	n      int     // values when last looked at
	down   int     // values for which it has been a new low
	rides  bool    // the course is the trace's highest
	top    int     // sample of level 0 at which that was known
	on     bool
}

// newLow tells whether the window lies below everything that the trace did
// lately, seen from its own course: hum, pulsation and whatever else comes back
// does not take the pressure further down than before.
func (m *Monitor) newLow(c *channel, l *level, w *window) bool {
	p := c.p
	q := p.slower()
	skip := min(max(2, w.length*l.div/q.div), spanMax/4)
	n := min(spanMax, q.n-skip)
	if real := (p.levels[0].n-p.bridged)*p.levels[0].div/q.div - skip; real >= spanMax/8 {
		n = min(n, real) // what was filled in tells nothing
	}
	if n < 16 {
		return false
	}
	before := q.lately(skip, n)
	thr := w.thr / float64(w.length)
	if before.noisy || w.sum/float64(w.length)-before.at(-p.ahead(l, w, before.end)) < lowShare*before.low-thr {
		return true
	}
	if !p.suspect.on {
		p.suspect = suspect{before: before, until: before.end + int(doubtShare*float64(n)), fall: m.leaves(c, l, w), t: c.lastT, since: q.n + 3, thr: thr, on: true}
	}
	return false
}

// bent begins anew on a ramp that the transducer's end bends, and suspects what
// falls from there on.
func (m *Monitor) bent(c *channel, li int, w *window) {
	p := c.p
	l, q := &p.levels[li], p.slower()
	size := float64(w.length)
	from := suspect{before: lately{mean: w.sum / size, n: spanMax, end: q.n}, until: q.n, fall: m.leaves(c, l, w), t: c.lastT, since: q.n + 3, thr: w.thr / size, rides: true, on: true}
	p.settle(p.phase, li, w)
	p.suspect = from
}

// slower is the level that newLow looks at.
func (p *pressure) slower() *level { return &p.levels[min(1, p.nl-1)] }

// deepens tells whether a fall that was doubted has gone on and is a new low at
// the newest value of the slower level: seen from the course before it, or
// further down from the trace's highest than what came back ever was.
func (p *pressure) deepens() bool {
	d, q := &p.suspect, p.slower()
	if q.n == d.n {
		return false
	}
	d.n = q.n
	v := q.ring[(q.n-1)&ringMask]
	ahead := float64(min(q.n, d.until) - d.before.end)
	if d.rides && v > d.before.mean {
		d.before.mean, d.top, d.down = v, p.levels[0].n, 0
		d.on = p.levels[0].n < p.saturated
		return false
	}
	if v > d.before.at(-ahead) {
		d.on = q.n <= d.since
		return false
	}
	if p.ebb.below(v, d.thr) || d.before.below(v, ahead, d.thr) {
		d.down++
	} else {
		d.down = 0
	}
	return d.down >= p.stay
}

// sank calls the doubted fall what it was.
func (m *Monitor) sank(c *channel) {
	p := c.p
	p.sunk = false
	k := p.suspect.fall
	if top := p.suspect.top; top > 0 {
		k.onset = max(p.cap.n-1-(p.levels[0].n-top)-feedDelay-octave/2, p.cap.oldest())
	}
	k.v0 += k.slope * float64(c.lastT-p.suspect.t) * 1e-9
	if p.fresh {
		p.fresh, p.disturbed = false, 0
	}
	m.departed(c, &k)
	p.settle(falling, 0, &p.levels[0].win[0])
}

// ahead is how many values of the slower level the centre of window w of level l
// lies behind that level's value number end-1.
func (p *pressure) ahead(l *level, w *window, end int) float64 {
	newest := float64(p.slower().n - end)
	size := float64(w.length-1) / 2
	switch {
	case p.nl < 2:
		return newest - size
	case l.div == 1: // the slower level lags
		return newest + (float64(p.cnt[0]+feedDelay)+(octave-1)/2.0-size)/octave
	}
	div := float64(l.div) / octave
	return newest - size*div - (div-1)/2
}
