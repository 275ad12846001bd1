package detect

import (
	"math"
	"slices"
)

const (
	clipSigma = 3.0 // squares are clipped at this many standard deviations
	// clipBias is E[min(z^2, 9)] for a standard normal z: the clipped square of
	// noise of variance 1 (closed form: 1-2Q - 2c phi(c) + 2c^2 Q, Q = P(z > c)).
	clipBias = 0.9950
	// blockLen squares are gathered before the variance is touched.
	blockLen = 64
)

// A noise tracks the standard deviation of one sample of a channel from second
// differences, which a ramp, a blow-down or slow hum hardly touches. A clipped
// variance keeps 95 % of the efficiency of the plain one; with a memory of
// 65536 samples the standard error is about 0.6 %.
type noise struct {
	start  [blockLen]float64 // second differences until the first estimate
	n      int               // second differences taken
	y1, y2 float64
	seen   int
	varD   float64 // variance of a second difference
	clip   float64 // clipSigma^2 * varD
	acc    float64
	fill   int
	strays int     // consecutive blocks far from the estimate
	floor  float64 // least variance of a sample: quantisation
	least  float64 // smallest step between two samples that differ, 0: none yet
	rests  int     // samples equal to the one before, and
	moves  int     // others, of late
}

const noiseMemory = 1 << 16

// cut forgets the neighbours after a gap.
func (s *noise) cut() { s.seen = 0 }

// push takes a sample; it tells whether the estimate has changed.
func (s *noise) push(v float64) bool {
	d, step := v-2*s.y1+s.y2, math.Abs(v-s.y1)
	s.y2, s.y1 = s.y1, v
	if s.seen < 2 || s.varD == 0 {
		return s.begin(d, step)
	}
	s.step(step, v)
	d *= d
	if d > s.clip {
		d = s.clip
	}
	s.acc += d
	if s.fill++; s.fill < blockLen {
		return false
	}
	s.update()
	return true
}

// begin is push without two neighbours before the sample, or before the first
// estimate.
func (s *noise) begin(d, step float64) bool {
	if s.seen > 0 {
		s.step(step, s.y1)
	}
	if s.seen < 2 {
		s.seen++
		return false
	}
	return s.first(d)
}

// step learns the step of the codes from that to a sample of value v: nobody
// need have told it. What rounding to decimals or to floats makes of equal codes
// is no step.
func (s *noise) step(d, v float64) {
	if d <= 1e-9*math.Abs(v) {
		s.rests++
	} else {
		s.moves++
		if d < s.least || s.least == 0 {
			s.least = d
		}
	}
	if s.rests+s.moves >= 4096 {
		s.rests, s.moves = s.rests/2, s.moves/2
	}
}

// code is the step of the codes where they are coarse beside the noise; 0:
// they are not, or too little has been seen.
func (s *noise) code() float64 {
	if s.rests+s.moves < 256 || s.rests < s.moves/4 {
		return 0
	}
	return s.least
}

// first gathers the differences from which the first estimate is made.
func (s *noise) first(d float64) bool {
	s.start[s.n] = math.Abs(d)
	s.n++
	if s.n < blockLen {
		return false
	}
	a := s.start
	slices.Sort(a[:])
	m := 1.4826 * (a[blockLen/2-1] + a[blockLen/2]) / 2
	s.set(m * m)
	for range 6 { // the median alone is coarse, above all on few codes
		sum := 0.0
		for _, d := range a {
			sum += math.Min(d*d, s.clip)
		}
		s.set(sum / (blockLen * clipBias))
	}
	return true
}

func (s *noise) set(v float64) {
	q := s.code()
	s.floor = q * q / 12
	s.varD = math.Max(v, 6*s.floor)
	s.varD = math.Max(s.varD, 1e-30)
	s.clip = clipSigma * clipSigma * s.varD
}

func (s *noise) update() {
	mean := s.acc / (blockLen * clipBias)
	s.acc, s.fill = 0, 0
	s.n = min(s.n+blockLen, noiseMemory)
	if mean > 2*s.varD || mean < s.varD/2 {
		s.strays++
	} else {
		s.strays = 0
	}
	if s.strays >= 4 { // the noise itself has changed: learn it anew, soon
		s.n = min(s.n, 8*blockLen)
	}
	s.set(s.varD + (mean-s.varD)*blockLen/float64(s.n))
}

// ready tells whether there is an estimate.
func (s *noise) ready() bool { return s.varD > 0 }

// sigma is the standard deviation of a sample, raised by the standard error of
// a young estimate.
func (s *noise) sigma() float64 {
	n := float64(s.n)
	return math.Sqrt(s.varD/6) * (1 + 1/math.Sqrt(n) + 16/n)
}

// A spread tracks the clipped second moment of a correlated statistic.
type spread struct {
	v float64 // second moment
	n int
}

// push takes x with memory m (values).
func (s *spread) push(x2 float64, m int) {
	if s.n < m {
		s.n++
	}
	g := 1 / float64(s.n)
	if s.n > 8 && s.v > 0 {
		if c := clipSigma * clipSigma * s.v; x2 > c {
			x2 = c
		}
		x2 *= 1 / clipBias
	}
	s.v += (x2 - s.v) * g
}

// An envelope is the largest value of a statistic over the last while, not
// counting the newest few, so that what is to be detected does not hide
// itself.
type envelope struct {
	delay  [4]float64
	at     int
	blocks [8]float64
	cur    float64
	fill   int
	block  int // values a block
	max    float64
	n      int
}

func (e *envelope) reset() { *e = envelope{block: e.block} }

func (e *envelope) push(x float64) {
	old := e.delay[e.at&3]
	e.delay[e.at&3] = x
	e.at++
	e.n++
	if old > e.cur {
		e.cur = old
		if old > e.max {
			e.max = old
		}
	}
	e.fill++
	if e.fill < e.block {
		return
	}
	copy(e.blocks[1:], e.blocks[:7])
	e.blocks[0] = e.cur
	e.cur, e.fill = 0, 0
	e.max = 0
	for _, b := range e.blocks {
		e.max = max(e.max, b)
	}
}
