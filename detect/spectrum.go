package detect

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
)

const (
	leastTurns = 4.0 // periods that the strip must hold of what is looked for
	lineOver   = 16  // times the floor that a line of the spectrum must stand
	lineCost   = 10  // times the floor that one harmonic more must bring
	lowestHz   = 1.0
)

// A spectrum is the power spectrum of a strip.
type spectrum struct {
	power [fitPoints/2 + 1]float64
	floor float64
	binHz float64
	least int // lowest line that the strip is long enough for

	fft  *fourier.FFT
	work [fitPoints]float64
	line [fitPoints/2 + 1]complex128
}

// of computes the spectrum of a strip under a Hann window, without its parabola.
func (q *spectrum) of(s *strip, trend *series) {
	div := float64(s.div)
	if q.fft == nil {
		q.fft = fourier.NewFFT(fitPoints)
	}
	q.work = [fitPoints]float64{}
	first := s.t[0]
	length := s.t[s.n-1] - first + div/s.rate
	for k := range s.n {
		t := s.t[k]
		x := t / s.half
		v := s.v[k] - trend.x[0] - trend.x[1]*x - trend.x[2]*(x*x-1.0/3)
		i := int(math.Round((t - first) * s.rate / div))
		if i < fitPoints {
			q.work[i] = v * (1 - math.Cos(2*math.Pi*(t-first+0.5*div/s.rate)/length))
		}
	}
	q.fft.Coefficients(q.line[:], q.work[:])
	for k, c := range q.line {
		q.power[k] = real(c)*real(c) + imag(c)*imag(c)
	}
	q.binHz = s.rate / div / fitPoints
	q.least = max(2, int(math.Ceil(leastTurns/length/q.binHz)))
	sorted := q.power
	part := sorted[q.least:]
	slices.Sort(part)
	q.floor = part[len(part)/2] / math.Ln2
}

// near is the power of the strongest line about frequency hz.
func (q *spectrum) near(hz float64) float64 {
	k := int(math.Round(hz / q.binHz))
	p := 0.0
	for i := max(1, k-1); i <= min(k+1, fitPoints/2); i++ {
		p = max(p, q.power[i])
	}
	return p
}

// strongest is the frequency of the strongest line; 0: none stands out.
func (q *spectrum) strongest() float64 {
	at := q.least
	for k := q.least; k < fitPoints/2; k++ {
		if q.power[k] > q.power[at] {
			at = k
		}
	}
	if q.power[at] < lineOver*q.floor || at == q.least && q.power[at-1] > q.power[at] {
		return 0
	}
	a, b, c := math.Log(q.power[at-1]), math.Log(q.power[at]), math.Log(q.power[at+1])
	shift := 0.0
	if d := a - 2*b + c; d < 0 {
		shift = min(0.5, max(-0.5, (a-c)/2/d))
	}
	return (float64(at) + shift) * q.binHz
}

// fundamental is the frequency of which the strongest line is a harmonic, and the
// number of harmonics that stand out: the one whose harmonics hold most of the
// power, each of them at its cost.
func (q *spectrum) fundamental() (hz float64, harmonics int) {
	line := q.strongest()
	if line == 0 {
		return 0, 0
	}
	best := 0.0
	for k := 1; k <= 8; k++ {
		f := line / float64(k)
		if f < lowestHz || f < float64(q.least)*q.binHz*0.75 {
			break
		}
		sum, held, top := 0.0, 0.0, 0
		for h := 1; h <= toneMost && float64(h)*f < 0.45*fitPoints*q.binHz; h++ {
			p := q.near(float64(h) * f)
			sum += p - lineCost*q.floor
			if p > lineOver*q.floor {
				held, top = sum, h
			}
		}
		if held > best*1.02 && top >= k {
			best, hz, harmonics = held, f, top
		}
	}
	return hz, harmonics
}
