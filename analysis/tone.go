package analysis

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// A tone is hum or pump pulsation: a·cos(2πft) + b·sin(2πft), Pa.
type tone struct{ hz, a, b float64 }

func (n *tone) at(t float64) float64 {
	s, c := math.Sincos(2 * math.Pi * n.hz * t)
	return n.a*c + n.b*s
}

const (
	mostTones = 6    // tones that are looked for
	toneClear = 18.0 // times the neighbourhood's level that a line of the spectrum must have: once in 1e8 lines of noise
)

// findTones looks for steady tones in residuals e at evenly spaced times t. It
// takes what it finds out of e.
func findTones(t, e []float64) []tone {
	n := smooth(len(e))
	if n < 64 {
		return nil
	}
	t, x := t[len(t)-n:], append([]float64(nil), e[len(e)-n:]...)
	span := t[n-1] - t[0] + (t[1] - t[0])
	limit := 8 * robustSD(x)
	for i, v := range x {
		x[i] = math.Max(-limit, math.Min(limit, v))
	}
	fft := fourier.NewFFT(n)
	var found []tone
	for len(found) < mostTones {
		k := clearest(fft, x)
		if k == 0 {
			break
		}
		f := tuned(t, x, (float64(k)-1)/span, (float64(k)+1)/span)
		if !f.steady(t[:n/2], x[:n/2]) || !f.steady(t[n/2:], x[n/2:]) {
			break // a step, or what else happened once
		}
		found = append(found, f)
		for i := range x {
			x[i] -= f.at(t[i])
		}
	}
	return found
}

// steady tells whether a tone takes squares out of x over times t, and adds none.
func (n *tone) steady(t, x []float64) bool {
	sum := 0.0
	for i, v := range x {
		y := n.at(t[i])
		sum += y * (2*v - y)
	}
	return sum > 0
}

// smooth is the greatest length not above n whose transform is quick.
func smooth(n int) int {
	best := 1
	for _, odd := range []int{1, 3, 5, 9, 15} {
		m := odd
		for 2*m <= n {
			m *= 2
		}
		if m <= n && m > best {
			best = m
		}
	}
	return best
}

// clearest is the number of the clearest line of the spectrum of x, 0 if none
// is clear. Lines below two cycles are the ramp's own.
func clearest(fft *fourier.FFT, x []float64) int {
	n := len(x)
	w := make([]float64, n)
	for i, v := range x { // Hann, so that a strong line does not leak far
		w[i] = v * (1 - math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n)))
	}
	c := fft.Coefficients(nil, w)
	p := make([]float64, len(c))
	for i, v := range c {
		p[i] = real(v)*real(v) + imag(v)*imag(v)
	}
	const reach = 24
	best, top := 0, toneClear
	for k := 2; k < len(p)-1; k++ {
		if p[k] < p[k-1] || p[k] < p[k+1] {
			continue
		}
		near := p[max(1, k-reach):min(len(p), k+reach+1)]
		if mostlyAbove(near, p[k]*math.Ln2/top) {
			continue // not as clear
		}
		if r := p[k] / (median(near)/math.Ln2 + 1e-300); r > top {
			best, top = k, r
		}
	}
	return best
}

// mostlyAbove tells whether the median of x is surely above level.
func mostlyAbove(x []float64, level float64) bool {
	n := 0
	for _, v := range x {
		if v > level {
			n++
		}
	}
	return n > len(x)/2+1
}

// tuned finds the frequency between lo and hi whose tone takes most out of x,
// by golden section, and that tone.
func tuned(t, x []float64, lo, hi float64) tone {
	const g = 0.6180339887498949
	lo = math.Max(lo, 1e-9)
	a, b := hi-g*(hi-lo), lo+g*(hi-lo)
	ta, pa := toneOf(t, x, a)
	tb, pb := toneOf(t, x, b)
	for range 26 {
		if pa > pb {
			hi, b, tb, pb = b, a, ta, pa
			a = hi - g*(hi-lo)
			ta, pa = toneOf(t, x, a)
		} else {
			lo, a, ta, pa = a, b, tb, pb
			b = lo + g*(hi-lo)
			tb, pb = toneOf(t, x, b)
		}
	}
	if pa > pb {
		return ta
	}
	return tb
}

// toneOf is the tone of frequency hz that fits x best, and the squares it takes
// out. The rotation is by recurrence, renewed before it drifts.
func toneOf(t, x []float64, hz float64) (tone, float64) {
	var cc, ss, cs, xc, xs float64
	w := 2 * math.Pi * hz
	ds, dc := math.Sincos(w * (t[1] - t[0]))
	var s, c float64
	for i, v := range x {
		if i%64 == 0 {
			s, c = math.Sincos(w * t[i])
		}
		cc, ss, cs = cc+c*c, ss+s*s, cs+c*s
		xc, xs = xc+v*c, xs+v*s
		s, c = s*dc+c*ds, c*dc-s*ds
	}
	det := cc*ss - cs*cs
	if det <= 0 {
		return tone{hz: hz}, 0
	}
	n := tone{hz: hz, a: (xc*ss - xs*cs) / det, b: (xs*cc - xc*cs) / det}
	return n, n.a*xc + n.b*xs
}
