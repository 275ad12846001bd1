package detect

import "math"

const (
	ringLen  = 512
	ringMask = ringLen - 1
	// A baseline is a straight line through up to spanMax values that ends
	// gapFull values before the newest one, so that what begins now is not in
	// it. After an event a young baseline makes do with fewer.
	spanMax    = 256
	spanLeast  = 12
	spanSettle = 96
	gapYoung   = 8
	gapFull    = 32

	octave = 8 // values of one level that make one value of the next
)

// A window is one moving sum of residuals.
type window struct {
	length int
	z      float64 // threshold in standard deviations
	trim   int     // values a spike could have forged: the rest must speak too
	sum    float64 // of the newest length values
	r      float64 // sum of residuals against the baseline
	lever  float64 // length * distance of the window's centre from the baseline's
	sd     float64 // sd of r in units of a value's sd
	thr    float64 // |r| beyond which the window has fired
	own    spread  // second moment of r/sd as measured
	env    envelope
}

// A level is one time scale of the pyramid: it watches values of div samples
// each for departures from the straight line through the earlier ones.
type level struct {
	ring  [ringLen]float64
	n     int // values taken
	since int // first value that a baseline may use
	div   int // samples in a value
	gap   int
	span  int // values in the baseline
	s0    float64
	s1    float64 // sum of (k-b)*y, b the first value behind the baseline
	mean  float64
	slope float64 // per value
	jbar  float64 // centre of the baseline, relative to b
	invN  float64
	invJ  float64
	nw    int // windows in use
	win   [4]window
	sigma float64 // sd of a value, white part
	quant float64 // bound of the quantisation error of a value
	slack float64 // curvature allowance per squared value
}

func (l *level) init(div int, lengths []int) {
	l.div, l.gap = div, gapYoung
	for i, n := range lengths {
		w := &l.win[i]
		w.length = n
		w.env.block = 8 * max(n, 16) / octave
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
func (l *level) restart(calm bool) {
	l.since, l.span, l.s0, l.s1, l.gap = l.n, 0, 0, 0, gapYoung
	if calm {
		return
	}
	for i := range l.win[:l.nw] {
		l.win[i].env.reset()
	}
}

// armed is the number of windows that have a baseline.
func (l *level) armed() int {
	switch {
	case l.span < spanLeast:
		return 0
	case l.gap == gapFull:
		return l.nw
	}
	k := 0
	for k < l.nw && l.win[k].length <= gapYoung {
		k++
	}
	return k
}

// push takes a value and tells whether a window exceeds its threshold.
func (l *level) push(v float64) bool {
	i := l.n
	l.ring[i&ringMask] = v
	l.n = i + 1
	for k := range l.win[:l.nw] {
		w := &l.win[k]
		w.sum += v - l.ring[(i-w.length)&ringMask]
	}
	if i-l.gap < l.since {
		return false
	}
	y := l.ring[(i-l.gap)&ringMask]
	l.s1 -= l.s0 + y
	l.s0 += y
	if l.span < spanMax {
		return l.grow()
	}
	old := l.ring[(i-l.gap-spanMax)&ringMask]
	l.s0 -= old
	l.s1 += (spanMax + 1) * old
	l.mean = l.s0 * l.invN
	l.slope = (l.s1 - l.jbar*l.s0) * l.invJ
	hit := false
	for k := range l.win[:l.nw] {
		w := &l.win[k]
		r := w.sum - float64(w.length)*l.mean - w.lever*l.slope
		w.r = r
		if math.Abs(r) > w.thr {
			hit = true
		}
	}
	if i&(octave-1) == 0 {
		l.keepHouse(i)
	}
	return hit
}

// grow is push while the baseline is not yet full.
func (l *level) grow() bool {
	l.span++
	if l.gap == gapYoung && l.span >= spanSettle {
		l.gap = gapFull
		l.span -= gapFull - gapYoung
		l.resum()
	}
	l.refit()
	hit := false
	for k := range l.win[:l.armed()] {
		w := &l.win[k]
		w.r = w.sum - float64(w.length)*l.mean - w.lever*l.slope
		if math.Abs(w.r) > w.thr {
			hit = true
		}
		if l.gap == gapYoung || l.n&(octave-1) == 0 {
			w.env.push(math.Abs(w.r))
		}
	}
	return hit
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
	}
}

// limit sets a window's threshold. It is z times the sd of white noise of the
// level's sigma, or of the window's own measured sd where that is clearly more
// (coloured noise), but never more than twice the largest value seen lately
// (hum is bounded); plus what quantisation may add.
func (l *level) limit(w *window) {
	white := w.z * w.sd * l.sigma
	thr := white
	if w.own.n >= 16 && w.own.v > 0 {
		own := w.z * w.sd * math.Sqrt(w.own.v)
		if own > white*(1+4/math.Sqrt(float64(w.own.n))) {
			if w.env.n >= 64 {
				own = math.Min(own, 2*w.env.max)
			}
			thr = math.Max(thr, own)
		}
	}
	if l.gap == gapYoung || w.env.n < 64 {
		thr = math.Max(thr, 1.3*w.env.max)
	}
	w.thr = thr + float64(w.length)*(l.quant+l.slack*float64(w.length))
}

// keepHouse follows the windows' own noise and sets their thresholds anew.
func (l *level) keepHouse(i int) {
	for k := range l.win[:l.nw] {
		w := &l.win[k]
		r := math.Abs(w.r)
		w.env.push(r)
		if i&(max(w.length, octave)/2-1) == 0 {
			x := r / w.sd
			w.own.push(x*x, 512)
		}
		l.limit(w)
	}
	if i&4095 == 0 {
		l.resum()
		l.refit()
	}
}

// resum computes the sums afresh, so that rounding errors never pile up.
func (l *level) resum() {
	b := l.n - l.gap
	l.s0, l.s1 = 0, 0
	for j := 1; j <= l.span; j++ {
		y := l.ring[(b-j)&ringMask]
		l.s0 += y
		l.s1 -= float64(j) * y
	}
	for k := range l.win[:l.nw] {
		w := &l.win[k]
		w.sum = 0
		for j := 1; j <= w.length; j++ {
			w.sum += l.ring[(l.n-j)&ringMask]
		}
	}
}

// patch replaces the value back values ago (0: the newest). It must be newer
// than the gap.
func (l *level) patch(back int, v float64) {
	i := (l.n - 1 - back) & ringMask
	d := v - l.ring[i]
	l.ring[i] = v
	for k := range l.win[:l.nw] {
		if w := &l.win[k]; back < w.length {
			w.sum += d
		}
	}
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
		x := sign * l.residual(j)
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
