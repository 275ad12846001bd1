package detect

import "math"

const (
	// settlingGain is by how much the sum of squares must go down, in variances of a
	// mean, where what settles is let leak as well: 5 standard deviations.
	settlingGain = 25.0
	// settlingFit is how badly, in variances of a mean, the account may fit: what
	// cools by another law than it says is not told by it.
	settlingFit = 2.5
	// settlingShare is the share of the fall in the second half that must be the
	// leak's: how gas cools in the end no single time constant tells.
	settlingShare = 0.6
	// wallMost is the longest time constant of a wall, in means (wallS).
	wallMost = wallS * 1e9 / float64(seepNs)
)

// settling is the rate, per mean, at which the pressure falls steadily while gas
// that a ramp has warmed still cools: what the means since the highest one show
// beyond an exponential of any time constant a wall has. sd is the standard
// deviation of one mean by white noise; 0: nothing shows.
func (s *seep) settling(sd float64) float64 {
	top := 0
	for i, v := range s.v[:s.k] {
		if v >= s.v[top] {
			top = i
		}
	}
	v := s.v[min(top+1, s.k):s.k] // the highest holds the corner
	n := len(v)
	if n < seepLeast {
		return 0
	}
	cools, leaks, rate, size := math.Inf(1), math.Inf(1), 0.0, 0.0
	for tau := 1.0; tau > 0; tau = slower(tau) {
		rss, _, _ := wallFit(v, tau, false)
		if rss < settlingGain*(sd*sd) {
			return 0 // whatever the leak may explain
		}
		cools = math.Min(cools, rss)
		if rss, b, c := wallFit(v, tau, true); rss < leaks {
			leaks, rate, size = rss, -b, c*(math.Exp(-float64(n/2)/tau)-math.Exp(-float64(n-1)/tau))
		}
	}
	free := float64(n - 4)
	variance := math.Max(sd*sd, leaks/free)
	half := rate * float64(n-1-n/2)
	if leaks > settlingFit*free*sd*sd || cools-leaks < settlingGain*variance || half < settlingShare*(half+size) {
		return 0
	}
	return rate
}

// slower is the time constant that is tried after tau, in means; 0: none is.
func slower(tau float64) float64 {
	if tau >= wallMost {
		return 0
	}
	return math.Min(1.4*tau, wallMost)
}

// wallFit is the residual sum of squares of a level and a decay with time constant
// tau, and of a slope as well where it leaks, with the slope b and the decay's
// size c.
func wallFit(v []float64, tau float64, leaks bool) (rss, b, c float64) {
	var a [4][5]float64
	size := 2
	if leaks {
		size = 3
	}
	ref := v[len(v)-1]
	yy := 0.0
	for i, x := range v {
		y := x - ref
		row := [3]float64{1, math.Exp(-float64(i) / tau), float64(i) / float64(len(v))}
		for j := range size {
			for k := j; k < size; k++ {
				a[j][k] += row[j] * row[k]
			}
			a[j][size] += row[j] * y
		}
		yy += y * y
	}
	right, x, ok := eliminate(&a, size)
	if !ok {
		return math.Inf(1), 0, 0
	}
	for j := range size {
		yy -= x[j] * right[j]
	}
	return math.Max(0, yy), x[2] / float64(len(v)), x[1]
}
