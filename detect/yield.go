package detect

import "math"

const (
	yieldBlocks = 64
	yieldLeast  = 24   // blocks with fewer of which nothing is told
	yieldShare  = 0.10 // of the absolute pressure: more than what yields takes (common practice, no source)
	yieldSure   = 6.0  // logarithm of the likelihood ratio from which the one is believed
	yieldLikely = 2.0  // from which a bulge is, with a flag, whatever comes after it
	yieldSlow   = 1.0 / 3
	yieldFits   = 2.5 // mean square, in variances of a mean, that fits
	// A hole that lets the pressure rise on is open within openMostS; what takes
	// yieldLeastS and lets it rise on gives way (common practice, no source).
	openMostS, yieldLeastS = 0.04, 0.08
)

// A yielding compares two accounts of a ramp that bends downwards. What opens
// takes its full share from when it is open, a third of the stretch at the
// latest, and less and less as the gas cools; in proportion to the pressure it
// may take a little more as that rises. What yields takes more and more up to
// the end.
type yielding struct {
	x, y  []float64 // block means: time from 0 to 1, pressure, Pa
	sd    float64   // of a mean
	kappa float64   // most relative growth of an outflow over the stretch
	span  float64   // of the stretch, s
	from  float64   // range in which the bend began
	to    float64
}

// yields is the logarithm of how much likelier the trace since the bend is if
// something yields than if something opened; ok tells that there is enough of
// it. Where the pressure rises on and a bend that takes its time is the likelier
// account, that holds.
func (n *naming) yields() (ratio float64, ok bool) {
	if n.depth > yieldShare*(n.gauge+n.k.ambient) {
		return 0, false // it opened: no need to ask, which takes its time
	}
	z := n.yielding(n.n)
	if len(z.x) < yieldLeast {
		return 0, false
	}
	if ratio = n.softens(); ratio > yieldLikely {
		return ratio, true
	}
	ratio, _ = z.likelier(false)
	return ratio, true
}

// softens is yields for a bend that takes at least yieldLeastS, against a hole that
// is open within openMostS. What yields may come to rest, and a supply may
// change: the longest stretch that one of the accounts fits is asked, and the
// whole where none does.
func (n *naming) softens() (ratio float64) {
	if !n.risesOn() {
		return 0
	}
	for after := n.n; after >= yieldBlocks; after /= 2 {
		z := n.yielding(after)
		if len(z.x) < yieldLeast {
			break
		}
		r, misfit := z.likelier(true)
		if after == n.n || misfit < yieldFits {
			ratio = r
		}
		if misfit < yieldFits {
			break
		}
	}
	return ratio
}

// likelier is the logarithm of how much likelier the means are if something
// yields than if something opened, and the mean square, in variances of a mean,
// by which the likelier account misses them. What takes its time may also go on as
// it is; then a hole is thought to open at once.
func (z *yielding) likelier(gradual bool) (ratio, misfit float64) {
	opened, yielded := math.Inf(1), math.Inf(1)
	for k := 0; k <= yieldBlocks/3; k++ {
		t := z.from + (z.to-z.from)*float64(k)/(yieldBlocks/3)
		for _, w := range []float64{0, 0.1, 0.2, yieldSlow} {
			if w *= 1 - t; gradual {
				w = math.Min(w, openMostS/z.span)
			}
			opened = math.Min(opened, z.opens(t, w))
		}
		for _, w := range []float64{0.1, 0.2, yieldSlow, 0.5, 0.75} {
			if w *= 1 - t; gradual && w*z.span >= yieldLeastS {
				yielded = math.Min(yielded, z.fit(t, nil, growing(w)))
			}
		}
		yielded = math.Min(yielded, z.fit(t, nil, func(x float64) float64 { return x * x }))
		yielded = math.Min(yielded, z.fit(t, nil, func(x float64) float64 { return x * x * x }))
	}
	mean := math.Min(opened, yielded) / float64(len(z.x)-5)
	variance := math.Max(z.sd*z.sd, mean)
	return (opened - yielded) / (2 * variance), mean / (z.sd * z.sd)
}

// yielding takes the block means of the stretch up to so many samples after the
// bend.
func (n *naming) yielding(after int) (z yielding) {
	p := n.k.c.p
	to := min(n.to, n.k.onset+after)
	from := max(n.k.free, n.k.onset-2*after, p.cap.oldest())
	block := max(1, (to-from)/yieldBlocks)
	span := float64(to - from)
	for i := from; i+block <= to; i += block {
		if v, count := p.cap.mean(i, i+block); count > 0 {
			z.x = append(z.x, (float64(i-from)+float64(block)/2)/span)
			z.y = append(z.y, v-n.onset)
		}
	}
	if float64(n.k.onset-from) < 0.4*float64(after) {
		z.x = nil // no line before
	}
	z.sd = p.sigma() * p.excess() / math.Sqrt(float64(block))
	z.kappa = 2 * math.Max(n.before, 0) * span * float64(n.k.c.period) * 1e-9 / (n.gauge + n.k.ambient)
	z.span = span * float64(n.k.c.period) * 1e-9
	at := float64(n.k.onset-from) / span
	z.from, z.to = math.Max(0.15, at-0.7*(1-at)), math.Min(at+0.5*(1-at), 0.85)
	return z
}

// growing is what has been lost by a flow that grows evenly over the time w and
// then stays as it is.
func growing(w float64) func(float64) float64 {
	return func(x float64) float64 {
		if x < w {
			return x * x / (2 * w)
		}
		return x - w/2
	}
}

// opens is the residual sum of squares of a hole that opens from t on over w.
func (z *yielding) opens(t, w float64) float64 {
	hole := growing(w)
	most := func(x float64) float64 { return hole(x) + z.kappa*x*x/2 }
	ease := func(x float64) float64 { return -x * x / 2 }
	return math.Min(z.fit(t, ease, hole), z.fit(t, nil, most))
}

// fit is the residual sum of squares of a straight line that from t on falls
// by a multiple of fall(x-t) and rises again by one of -ease(x-t); neither may
// be negative.
func (z *yielding) fit(t float64, ease, fall func(float64) float64) float64 {
	var a [4][5]float64
	size := 3
	if ease != nil {
		size = 4
	}
	yy := 0.0
	for i, x := range z.x {
		u := math.Max(0, x-t)
		row := [5]float64{1, x, -fall(u), 0, z.y[i]}
		if ease != nil {
			row[3] = -ease(u)
		}
		row[size] = z.y[i]
		for j := range size {
			for k := j; k <= size; k++ {
				a[j][k] += row[j] * row[k]
			}
		}
		yy += z.y[i] * z.y[i]
	}
	right, c, ok := eliminate(&a, size)
	if !ok || c[2] < 0 || size == 4 && c[3] < 0 {
		return math.Inf(1)
	}
	for j := range size {
		yy -= c[j] * right[j]
	}
	return math.Max(0, yy)
}

// eliminate solves the symmetric normal equations a, of which the upper half is
// given, with the right side in column size.
func eliminate(a *[4][5]float64, size int) (right, c [4]float64, ok bool) {
	for j := range size {
		right[j] = a[j][size]
		for k := range j {
			a[j][k] = a[k][j]
		}
	}
	for j := range size {
		if !(a[j][j] > 1e-12*a[0][0]) && j > 0 {
			return right, c, false
		}
		for i := j + 1; i < size; i++ {
			f := a[i][j] / a[j][j]
			for k := j; k <= size; k++ {
				a[i][k] -= f * a[j][k]
			}
		}
	}
	for j := size - 1; j >= 0; j-- {
		c[j] = a[j][size]
		for k := j + 1; k < size; k++ {
			c[j] -= a[j][k] * c[k]
		}
		c[j] /= a[j][j]
	}
	return right, c, true
}
