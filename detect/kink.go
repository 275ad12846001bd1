package detect

import (
	"math"

	"ventward/daq"
)

// A kink is the course after a fall without a jump: a parabola in time from the
// onset, fitted to what comes after the transition.
type kink struct {
	s0, s0SD         float64 // slope just after, Pa/s
	drift, driftSD   float64 // change of the slope, Pa/s2
	offset, offsetSD float64 // how far the parabola begins below the line, Pa
	len              float64 // s fitted; 0: too little
}

// kinked fits the kink.
func (k *watch) kinked(s *course) (q kink) {
	p := k.c.p
	dt := float64(k.c.period) * 1e-9
	guard := max(int(k.ns/k.c.period)/4, int(5*k.c.cfg.LagS/dt), int(0.004/dt), 1)
	from := s.from + guard
	if s.to-from < 24 {
		return q
	}
	var a [3][4]float64
	half := float64(p.cap.t[(s.to-1)&p.cap.mask]-s.t) * 1e-9
	for i := from; i < s.to; i++ {
		j := i & p.cap.mask
		if p.cap.q[j]&daq.Bad != 0 {
			continue
		}
		x := float64(p.cap.t[j]-s.t) * 1e-9 / half
		v := p.cap.v[j] - s.onset
		x2 := x * x
		a[0][0]++
		a[0][1] += x
		a[0][2] += x2
		a[1][2] += x2 * x
		a[2][2] += x2 * x2
		a[0][3] += v
		a[1][3] += v * x
		a[2][3] += v * x2
	}
	a[1][1], a[1][0], a[2][0], a[2][1] = a[0][2], a[0][1], a[0][2], a[1][2]
	c, cov, ok := solve3(a)
	if !ok {
		return q
	}
	sigma := p.sigma() * p.excess()
	x0 := float64(guard) * dt / half
	q.len = half - float64(guard)*dt
	q.s0 = (c[1] + 2*c[2]*x0) / half
	q.s0SD = sigma * math.Sqrt(math.Max(0, cov[1][1]+4*x0*cov[1][2]+4*x0*x0*cov[2][2])) / half
	q.drift, q.driftSD = 2*c[2]/(half*half), 2*sigma*math.Sqrt(cov[2][2])/(half*half)
	q.offset = -c[0]
	q.offsetSD = math.Hypot(sigma*math.Sqrt(cov[0][0]), 2*sigma/math.Sqrt(float64(max(s.span, leastSeen/2))))
	return q
}

// solve3 solves the normal equations a (the last column is the right side) and
// inverts them.
func solve3(a [3][4]float64) (x [3]float64, inv [3][3]float64, ok bool) {
	det := a[0][0]*(a[1][1]*a[2][2]-a[1][2]*a[2][1]) - a[0][1]*(a[1][0]*a[2][2]-a[1][2]*a[2][0]) + a[0][2]*(a[1][0]*a[2][1]-a[1][1]*a[2][0])
	if !(math.Abs(det) > 0) || math.IsInf(det, 0) {
		return x, inv, false
	}
	for i := range 3 {
		for j := range 3 {
			r0, r1, c0, c1 := (j+1)%3, (j+2)%3, (i+1)%3, (i+2)%3
			inv[i][j] = (a[r0][c0]*a[r1][c1] - a[r0][c1]*a[r1][c0]) / det
		}
	}
	for i := range 3 {
		for j := range 3 {
			x[i] += inv[i][j] * a[j][3]
		}
	}
	return x, inv, true
}
