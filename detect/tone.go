package detect

import "math"

const (
	toneMost  = 12  // harmonics of a tone at most
	toneTable = 128 // values of one period
)

// A tone is what comes back with one period: hum of the mains, the strokes of a
// pump. It is a Fourier series, read from a table of one period.
type tone struct {
	hz    float64
	t0    int64 // ns, where a period begins
	perNs float64
	h     int                   // harmonics in use
	a, b  [toneMost + 1]float64 // Pa, of the cosine and the sine of each harmonic
	table [toneTable + 1]float64
	rest  float64 // Pa^2: variance of a sample that the tone leaves, as if it were white
	err   float64 // Pa, root mean square, of its prediction
	stale int     // fits in a row that found little of it left
}

// turn is the cosine of k parts of toneTable of a turn.
var turn = func() (t [toneTable]float64) {
	for k := range t {
		t[k] = math.Cos(2 * math.Pi * float64(k) / toneTable)
	}
	return t
}()

// at is the tone at bench time t.
func (o *tone) at(t int64) float64 {
	u := float64(t-o.t0) * o.perNs
	u = (u - math.Floor(u)) * toneTable
	i := int(u)
	f := u - float64(i)
	i &= toneTable - 1
	return o.table[i] + f*(o.table[i+1]-o.table[i])
}

// tabulate makes the table of one period for samples at rate Hz of which the
// series was fitted to means of div: these flatten the higher harmonics.
func (o *tone) tabulate(div int, rate float64) {
	o.perNs = o.hz * 1e-9
	o.table = [toneTable + 1]float64{}
	for h := 1; h <= o.h; h++ {
		d := dirichlet(float64(h)*o.hz/rate, div)
		a, b := o.a[h]/d, o.b[h]/d
		for k := range toneTable {
			o.table[k] += a*turn[h*k&(toneTable-1)] + b*turn[(h*k-toneTable/4)&(toneTable-1)]
		}
	}
	o.table[toneTable] = o.table[0]
}

// dirichlet is what the mean of n samples leaves of a cosine of f turns a sample
// about its own centre.
func dirichlet(f float64, n int) float64 {
	s := math.Sin(math.Pi * f)
	if n == 1 || math.Abs(s) < 1e-9 {
		return 1
	}
	return math.Sin(math.Pi*f*float64(n)) / (float64(n) * s)
}

// power is the mean square of the tone as it was fitted.
func (o *tone) power() float64 {
	s := 0.0
	for h := 1; h <= o.h; h++ {
		s += o.square(h) / 2
	}
	return s
}

// shift lets the period that begins nearest to t be the first, so that an error
// of the frequency counts from there.
func (o *tone) shift(t int64) {
	n := math.Round(float64(t-o.t0) * o.hz * 1e-9)
	o.t0 += int64(math.Round(n / o.hz * 1e9))
}

// slim leaves out the highest harmonics of which the square of the amplitude isn't
// least, and tells whether there were any.
func (o *tone) slim(least float64) bool {
	had := o.h
	for o.h > 1 && o.square(o.h) < least {
		o.h--
	}
	return o.h < had
}

// simplify leaves out harmonics of which the square of the amplitude isn't least: at
// the top, and those between where all others are harmonics of one of them, as of hum
// that was found among the strokes of a pump.
func (o *tone) simplify(least float64) {
	o.slim(least)
	for g := o.h; g > 1; g-- {
		if !o.only(g, least) {
			continue
		}
		o.h /= g
		for h := 1; h <= o.h; h++ {
			o.a[h], o.b[h] = o.a[g*h], o.b[g*h]
		}
		o.hz *= float64(g)
		return
	}
}

// only tells whether every harmonic that stands out is one of harmonic g.
func (o *tone) only(g int, least float64) bool {
	for h := 1; h <= o.h; h++ {
		if h%g != 0 && o.square(h) >= least {
			return false
		}
	}
	return o.h%g == 0
}

// square is the square of the amplitude of harmonic h.
func (o *tone) square(h int) float64 { return o.a[h]*o.a[h] + o.b[h]*o.b[h] }
