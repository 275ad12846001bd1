package detect

import "math"

const (
	// bowed is how many times better than a straight line a parabola must fit
	// before the trace counts as bent: a ramp on which the gas warms, but no hum.
	bowed = 4.0
	// lowShare is how far below the lowest of what comes and goes a new low lies.
	lowShare = 1.4
)

// A lately is the smooth course of the last values of a level, up to a moment:
// of the level that newLow looks at.
type lately struct {
	mid, mean, slope, bow float64 // polynomial in values back from the newest
	n                     int     // values
	end                   int     // number of the first value behind them
	low                   float64 // of the values' departures
	noisy                 bool    // low is no more than noise
}

// lately is the straight line, or where it fits far better the parabola, through
// n values that end skip before the newest.
func (l *level) lately(skip, n int) (c lately) {
	size := float64(n)
	c.n, c.end = n, l.n-skip
	c.mid = (size - 1) / 2
	var s0, s1, s2, syy float64
	ref := l.ring[(c.end-1)&ringMask]
	for j := range n {
		x, y := float64(j)-c.mid, l.ring[(c.end-1-j)&ringMask]-ref
		s0 += y
		s1 += x * y
		s2 += x * x * y
		syy += y * y
	}
	squares := size * (size*size - 1) / 12
	norm := size * (size*size - 1) * (size*size - 4) / 180
	c.mean, c.slope = ref+s0/size, s1/squares
	bow := (s2 - (size*size-1)/12*s0) / norm
	line := syy - s0*s0/size - s1*s1/squares
	if parabola := line - bow*bow*norm; parabola*bowed < line {
		c.bow = bow
		c.mean -= bow * (size*size - 1) / 12
	}
	for j := range n {
		c.low = math.Min(c.low, l.ring[(c.end-1-j)&ringMask]-c.at(float64(j)))
	}
	c.noisy = c.low > -4.5*l.sigma
	return c
}

// at is the course j values before the last of those it was fitted to.
func (c *lately) at(j float64) float64 {
	x := j - c.mid
	return c.mean + c.slope*x + c.bow*x*x
}

// below tells whether v, ahead values behind the course's end, is lower than all
// that came and went. How far a course may be wrong where it is carried on is
// taken to grow like the next Legendre polynomial, the third.
func (c *lately) below(v, ahead, thr float64) bool {
	u := 1 + 2*math.Max(0, ahead)/float64(c.n)
	return v-c.at(-ahead) < lowShare*c.low*(5*u*u*u-3*u)/2-thr
}
