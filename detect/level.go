package detect

import "math"

const (
	windowsMost = 4 // of a level

	ringLen  = 512
	ringMask = ringLen - 1
	// A baseline is a straight line through up to spanMax values that ends
	// gapFull values before the newest one, so that what begins now is not in
	// it. After an event a young baseline makes do with fewer.
	spanMax   = 256
	spanLeast = 12
	gapYoung  = 8
	gapFull   = 32

	easeDoubt  = 0.25 // share of an extrapolated bend that may be wrong
	localDoubt = 1.6  // baseline scatter, relative to the noise, that is more than chance

	ownLeast = 16 // looks at a window's own noise before it is believed

	octave = 8 // values of one level that make one value of the next
)

// A window is one moving sum of residuals.
type window struct {
	length int
	z      float64 // threshold in standard deviations
	trim   int     // values a spike could have forged: the rest must speak too
	sum    float64 // of the newest length values, when last measured
	r      float64 // sum of residuals against the baseline
	lever  float64 // length * distance of the window's centre from the baseline's
	sd     float64 // sd of r in units of a value's sd
	thr    float64 // |r| beyond which the window has fired
	shift  float64 // what the course's own bend adds to the line, per value
	bow    float64 // the baseline's parabola less its line, at the window
	bowSD  float64
	wave   float64 // of |r| that an error of what was taken off as periodic may make
	kin    float64 // excess noise of the next faster level
	own    spread  // second moment of r/sd as measured
	env    envelope
}

// A probe is what of a window the test of every value needs, side by side with
// the others'.
type probe struct {
	length int
	skip   int // mask of the value's number: longer windows are tested less often
	size   float64
	lever  float64
	thr    float64
}

// A level is one time scale of the pyramid: it watches values of div samples
// each for departures from the straight line through the earlier ones.
type level struct {
	probes           [4]probe
	ring             [ringLen]float64
	cum              [ringLen]float64 // running total of the values
	total            float64
	n                int // values taken
	since            int // first value that a baseline may use
	div              int // samples in a value
	gap              int
	study            int  // value up to which what the windows see is learnt even where the trace bends
	levelled         bool // the fall since the last restart has begun to ease
	deaf             int  // values before which nothing is called: the noise is being learnt
	young            int  // values before which longer windows than sharp are not called
	sharp            int
	oldSince, oldGap int // before the last restart
	span             int // values in the baseline
	s0               float64
	s1               float64 // sum of (k-b)*y, b the first value behind the baseline
	s2               float64 // sum of (k-b)^2*y
	syy              float64 // sum of y^2
	stride           int     // mask of the values at which the noise is looked at
	lean             bool    // s2 and syy are not kept up
	odd              bool    // the newest value may yet turn out to be a spike: no noise to learn from
	careful          int     // value up to which the trace is taken to bend
	mean             float64
	slope            float64 // per value
	jbar             float64 // centre of the baseline, relative to b
	invN             float64
	invJ             float64
	nw               int // windows in use
	win              [windowsMost]window
	sigma            float64 // sd of a value, white part
	quant            float64 // bound of the quantisation error of a value
}

func (l *level) init(div int, lengths []int) {
	l.div, l.gap, l.stride = div, gapYoung, 2*octave-1
	if div > 1 {
		l.stride = octave/2 - 1
	}
	for i, n := range lengths {
		w := &l.win[i]
		w.length = n
		l.probes[i] = probe{length: n, size: float64(n), skip: max(1, n/octave) - 1}
		w.env.block = 8 * max(n, 16) / (l.stride + 1)
		switch {
		case div == 1:
			w.trim = 3
		case div == octave:
			w.trim = 2
		default:
			w.trim = 1
		}
	}
	l.nw = len(lengths)
}

// restart forgets everything before the next value, except the noise.
func (l *level) restart() {
	l.oldSince, l.oldGap, l.levelled = l.since, l.gap, false
	l.since, l.span, l.gap = l.n, 0, gapYoung
	l.s0, l.s1, l.s2, l.syy, l.lean = 0, 0, 0, 0, false
	for i := range l.win[:l.nw] {
		l.win[i].env.reset()
	}
}

// resume takes back the last restart: what caused it was no departure.
func (l *level) resume() {
	if l.n-l.since > ringLen-spanMax-gapFull || l.oldGap == 0 {
		return
	}
	l.since, l.gap = l.oldSince, l.oldGap
	l.span = max(0, min(spanMax, l.n-l.gap-l.since))
	l.resum()
	l.refit()
}

// renew lets the baseline begin at the value back values ago at the earliest.
func (l *level) renew(back int) {
	l.since = max(l.since, l.n-back)
	l.gap = gapYoung
	l.span = max(0, min(spanMax, l.n-l.gap-l.since))
	l.careful, l.levelled = l.n+3*spanMax, false
	l.resum()
	if l.span > 0 {
		l.refit()
	}
}

// shorten lets the baseline begin as late as it may, for a trace that bends.
func (l *level) shorten() {
	l.careful = l.n + spanMax + gapFull + 2*spanMax
	if l.span > spanLeast || l.gap > gapYoung {
		l.gap = gapYoung
		l.span = min(spanLeast, l.n-gapYoung-l.since)
		l.since = l.n - gapYoung - l.span
		l.resum()
		l.refit()
	}
}

// bend is the curvature of the baseline (the parabola's coefficient, per
// squared value) with its standard deviation.
func (l *level) bend() (c, sd float64) {
	if l.span < 6 {
		return 0, math.Inf(1)
	}
	if l.lean {
		l.resum()
	}
	n := float64(l.span)
	norm := n * (n*n - 1) * (n*n - 4) / 180
	q := l.s2 - 2*l.jbar*l.s1 + (l.jbar*l.jbar-(n*n-1)/12)*l.s0
	return q / norm, l.sigma * l.win[l.nw-1].excess(l.sigma) / math.Sqrt(norm)
}

// armed is the number of windows that have a baseline and may fire.
func (l *level) armed() int {
	if l.sigma == 0 || l.n < l.deaf {
		return 0
	}
	return l.ripe()
}

// ripe is the number of windows that have a baseline.
func (l *level) ripe() int {
	switch {
	case l.span < spanLeast:
		return 0
	case l.gap == gapFull:
		return l.nw
	}
	k := 0
	for k < l.nw && l.win[k].length <= l.gap {
		k++
	}
	return k
}

// push takes a value and tells whether a window exceeds its threshold.
func (l *level) push(v float64) bool {
	i := l.n
	if l.span < spanMax || i+1 < l.careful {
		return l.follow(v)
	}
	l.n = i + 1
	total := l.total + v
	l.total = total
	l.ring[i&ringMask], l.cum[i&ringMask] = v, total
	b := i - l.gap
	if b < l.since {
		return false
	}
	mean, slope := l.slide(l.ring[b&ringMask], l.ring[(b-spanMax)&ringMask])
	if i&l.stride == 0 {
		l.keepHouse(i)
		total, mean, slope = l.total, l.mean, l.slope
	}
	// the short windows are tested at every value, the longer ones as often as
	// their length asks
	for k := range l.probes[:l.nw] {
		h := &l.probes[k]
		if i&h.skip != 0 {
			break
		}
		r := total - l.cum[(i-h.length)&ringMask] - h.size*mean - h.lever*slope
		if math.Abs(r) > h.thr {
			l.measure()
			return l.n >= l.deaf
		}
	}
	return false
}

// slide moves a full baseline on a straight trace by one value, y for old.
func (l *level) slide(y, old float64) (mean, slope float64) {
	l.lean = true
	s1 := l.s1 - (l.s0 + y)
	s0 := l.s0 + (y - old)
	s1 += (spanMax + 1) * old
	mean = s0 * l.invN
	slope = (s1 - l.jbar*s0) * l.invJ
	l.s0, l.s1, l.mean, l.slope = s0, s1, mean, slope
	return mean, slope
}

// follow is push for a baseline that still grows, or on a trace that bends.
func (l *level) follow(v float64) bool {
	if l.lean && l.n+1 < l.careful {
		l.resum() // the second moments are wanted again
	}
	i := l.n
	l.total += v
	l.ring[i&ringMask] = v
	l.cum[i&ringMask] = l.total
	l.n = i + 1
	if i-l.gap < l.since {
		return false
	}
	y := l.ring[(i-l.gap)&ringMask]
	l.s2 += l.s0 - 2*l.s1 + y
	l.s1 -= l.s0 + y
	l.s0 += y
	l.syy += y * y
	if l.span < spanMax {
		return l.grow()
	}
	l.forget(spanMax)
	l.mean = l.s0 * l.invN
	l.slope = (l.s1 - l.jbar*l.s0) * l.invJ
	if i&l.stride == 0 {
		l.keepHouse(i)
	}
	return l.watchBend() && l.n >= l.deaf
}

// measure brings every window's residual up to date.
func (l *level) measure() {
	for k := range l.win[:l.nw] {
		w := &l.win[k]
		w.sum = l.sumOf(w.length)
		w.r = w.sum - float64(w.length)*(l.mean+w.shift) - w.lever*l.slope
	}
}

// sumOf is the sum of the newest n values.
func (l *level) sumOf(n int) float64 { return l.total - l.cum[(l.n-1-n)&ringMask] }

// newestMean is the mean of the newest four values.
func (l *level) newestMean() float64 { return l.sumOf(4) * 0.25 }

// forget takes the oldest value, n+1 before b, out of the baseline.
func (l *level) forget(n int) {
	old := l.ring[(l.n-1-l.gap-n)&ringMask]
	j := float64(n + 1)
	l.s0 -= old
	l.s1 += j * old
	l.s2 -= j * j * old
	l.syy -= old * old
}

// tighten makes the baseline shorter, and brings it nearer, while the trace
// bends so much that a longer one would only have to be extrapolated further.
func (l *level) tighten() {
	for range 3 {
		if l.span > spanLeast+4 {
			l.span--
			l.forget(l.span)
		}
	}
	if l.gap > gapYoung && l.span < 2*l.gap {
		l.gap /= 2
		l.resum()
	}
	l.refit()
}

// grow is push while the baseline is not yet full.
func (l *level) grow() bool {
	l.span++
	if l.gap < gapFull && l.span >= 6*l.gap { // old enough to look back further
		l.span -= l.gap
		l.gap *= 2
		l.resum()
	}
	l.refit()
	hit := l.watchBend()
	if l.n >= l.careful && !l.odd {
		for k := range l.win[:l.ripe()] {
			w := &l.win[k]
			often := l.stride
			if w.own.n < ownLeast { // soon to be believed
				often = min(often, max(octave, w.length)/2-1)
			}
			if l.n&often == 0 {
				w.learn()
			}
		}
	}
	return hit
}

// watchBend is the test of a young baseline or a trace that bends. The course
// before the gap is taken to go on as an exponential where it slows down (a
// blow-down, a settling step), as a straight line otherwise; the residuals of
// the baseline itself, ringing above all, count as noise.
func (l *level) watchBend() bool {
	c, sdC := l.bend()
	local := l.local(c)
	l.levelled = l.levelled || c > 4*sdC && l.slope < 0
	if math.Abs(c) > 4*sdC && l.n >= l.deaf && l.sigma > 0 {
		l.careful = max(l.careful, l.n+spanMax)
	}
	hit, tight := false, false
	for k := range l.win[:l.ripe()] {
		w := &l.win[k]
		size := float64(w.length)
		x := w.lever / size
		f := x*x - (float64(l.span)*float64(l.span)-1)/12
		e := 0.0
		sd := w.sd * l.sigma
		if math.Abs(c) > 2*sdC && c*l.slope < 0 {
			e = l.easing(c, x)
			q := size * f * sdC
			tight = tight || size*math.Abs(e) > 2*w.z*sd
			sd = math.Sqrt(sd*sd + q*q)
		}
		w.sum = l.sumOf(w.length)
		w.bow, w.bowSD = c*f, math.Abs(f)*sdC
		w.shift = e
		w.r = w.sum - size*(l.mean+e) - w.lever*l.slope
		w.thr = w.z*sd*w.excess(l.sigma) + size*(l.quant+easeDoubt*math.Abs(e)) + w.wave
		if w.own.n < ownLeast {
			w.thr = math.Inf(1) // the noise of this window is not known yet
		}
		if local > localDoubt*l.sigma*w.excess(l.sigma) {
			w.thr = math.Max(w.thr, local*math.Max(w.z*w.sd, 1.6*size))
		}
		if math.Abs(w.r) > w.thr {
			hit = true
		}
	}
	if tight && l.n >= l.deaf {
		l.tighten()
	}
	return hit && l.n >= l.deaf && l.sigma > 0
}

// easing is what an exponential of the baseline's slope and curvature adds to
// its line at x values from the baseline's centre.
func (l *level) easing(c, x float64) float64 {
	k := -2 * c / l.slope
	return l.slope*(-math.Expm1(-k*x)/k-x) - c*(float64(l.span)*float64(l.span)-1)/12
}

// local is the standard deviation of the baseline's values about their own
// parabola.
func (l *level) local(c float64) float64 {
	n := float64(l.span)
	if n < 6 || l.invJ == 0 {
		return 0
	}
	rss := l.syy - n*l.mean*l.mean - l.slope*l.slope/l.invJ - c*c*n*(n*n-1)*(n*n-4)/180
	return math.Sqrt(math.Max(0, rss/(n-3)))
}

// refit sets the line, and what of it depends only on the span.
func (l *level) refit() {
	n := float64(l.span)
	l.jbar = -(n + 1) / 2
	l.invN = 1 / n
	l.invJ = 0
	if l.span > 1 {
		l.invJ = 12 / (n * (n*n - 1))
	}
	l.mean = l.s0 * l.invN
	l.slope = (l.s1 - l.jbar*l.s0) * l.invJ
	for k := range l.win[:l.nw] {
		w := &l.win[k]
		size := float64(w.length)
		d := float64(l.gap) - (size+1)/2 - l.jbar
		w.lever = size * d
		w.sd = math.Sqrt(size + size*size*(l.invN+d*d*l.invJ))
		l.limit(w)
		l.probes[k].lever, l.probes[k].thr = w.lever, w.thr
	}
}

// excess is how many times the white noise of sigma the window's own noise is;
// 1 where that is not proved.
func (w *window) excess(sigma float64) float64 {
	if w.own.n < ownLeast || sigma == 0 {
		return math.Max(1, w.kin)
	}
	if w.own.v < 1.1*sigma*sigma && w.own.n >= 4*ownLeast {
		return 1 // less than any number of looks proves
	}
	x := math.Sqrt(w.own.v) / sigma
	if x < 1+2/math.Sqrt(float64(w.own.n)) {
		x = 1
	}
	if w.own.n < 4*ownLeast {
		x = math.Max(x, w.kin)
	}
	return x
}

// limit sets a window's threshold. It is z times the sd of white noise of the
// level's sigma, or of the window's own measured sd where that is clearly more
// (coloured noise), but never more than 2.5 times the largest value seen lately
// (hum is bounded); plus what quantisation may add.
func (l *level) limit(w *window) {
	thr := w.z * w.sd * l.sigma
	if x := w.excess(l.sigma); x > 1 {
		own := thr * x
		if w.env.n >= 64 {
			own = math.Min(own, 2.5*w.env.max)
		}
		thr = math.Max(thr, own)
	}
	w.thr = thr + float64(w.length)*l.quant + w.wave
	w.shift, w.bow, w.bowSD = 0, 0, 0
}

// keepHouse follows the windows' own noise and sets their thresholds anew.
func (l *level) keepHouse(i int) {
	if (l.n >= l.careful || l.n < l.study) && !l.odd {
		for k := range l.win[:l.nw] {
			l.win[k].shift = 0
		}
		l.measure()
		for k := range l.win[:l.nw] {
			l.win[k].learn()
		}
	}
	if i&(8*octave-1) == 0 || l.n <= l.careful+2*octave {
		for k := range l.win[:l.nw] {
			l.limit(&l.win[k])
			l.probes[k].thr = l.win[k].thr
		}
	}
	if i&4095 == 0 {
		l.resum()
		l.refit()
	}
}

// learn follows the window's own noise.
func (w *window) learn() {
	r := math.Abs(w.r)
	w.env.push(r)
	x := r / w.sd
	w.own.push(x*x, 512)
}

// resum computes the sums afresh, so that rounding errors never pile up.
func (l *level) resum() {
	b := l.n - l.gap
	l.lean = false
	l.s0, l.s1, l.s2, l.syy = 0, 0, 0, 0
	for j := 1; j <= l.span; j++ {
		y := l.ring[(b-j)&ringMask]
		l.s0 += y
		l.s1 -= float64(j) * y
		l.s2 += float64(j) * float64(j) * y
		l.syy += y * y
	}
	l.total = 0
	for j := l.n - ringLen; j < l.n; j++ {
		l.total += l.ring[j&ringMask]
		l.cum[j&ringMask] = l.total
	}
}

// patch replaces the value back values ago (0: the newest). It must be newer
// than the gap.
func (l *level) patch(back int, v float64) {
	i := l.n - 1 - back
	d := v - l.ring[i&ringMask]
	l.ring[i&ringMask] = v
	for ; i < l.n; i++ {
		l.cum[i&ringMask] += d
	}
	l.total += d
}

// at is the baseline's line, back values before the newest.
func (l *level) at(back float64) float64 {
	return l.mean + l.slope*(float64(l.gap)-1-back-l.jbar)
}

// residual is the departure of the value back values ago from the line.
func (l *level) residual(back int) float64 {
	return l.ring[(l.n-1-back)&ringMask] - l.at(float64(back))
}

// confirm tells whether window k has truly fired to the side of sign, also
// when its trim most extreme values are left out: up to three samples that a
// spike has forged are never enough.
func (l *level) confirm(k int, sign float64) bool {
	w := &l.win[k]
	if sign*w.r <= w.thr {
		return false
	}
	var top [3]float64
	for i := range top {
		top[i] = math.Inf(-1)
	}
	sum := 0.0
	for j := range w.length {
		x := sign * (l.residual(j) - w.shift)
		sum += x
		for i := range w.trim {
			if x > top[i] {
				x, top[i] = top[i], x
			}
		}
	}
	for i := range w.trim {
		sum -= top[i]
	}
	rest := float64(w.length-w.trim) / float64(w.length)
	return sum > 0.62*w.thr*math.Sqrt(rest)
}
