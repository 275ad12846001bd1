package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

func levelOf(lengths ...int) *level {
	l := &level{}
	l.init(1, lengths)
	for k := range l.win[:l.nw] {
		l.win[k].z = 6
		l.win[k].own.n, l.win[k].own.v = 512, 1
	}
	l.sigma = 1
	return l
}

// The baseline of a straight line is the line, at every age of the baseline.
func TestLevelFollowsALine(t *testing.T) {
	l := levelOf(4, 8, 16, 32)
	for i := range 20000 {
		l.push(1000 + 0.25*float64(i))
		if l.span < 2 {
			continue
		}
		if got, want := l.at(0), 1000+0.25*float64(i); math.Abs(got-want) > 1e-5 {
			t.Fatalf("value %d, span %d, gap %d: line gives %.9f, want %.9f", i, l.span, l.gap, got, want)
		}
	}
	if l.span != spanMax || l.gap != gapFull {
		t.Errorf("span %d, gap %d after 20000 values", l.span, l.gap)
	}
}

// What is kept up value by value agrees with sums made afresh.
func TestLevelSumsDoNotDrift(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 0))
	l := levelOf(4, 8, 16, 32)
	for i := range 9000 {
		l.push(3e6 + 1000*r.NormFloat64())
		switch {
		case i == 3000:
			l.restart()
		case i == 5000:
			l.shorten()
		case i == 6000:
			l.patch(2, 3e6)
		case i == 7000:
			l.tighten()
		}
	}
	mean, slope, c := l.mean, l.slope, 0.0
	c, _ = l.bend()
	l.resum()
	l.refit()
	c2, _ := l.bend()
	if math.Abs(mean-l.mean) > 1e-3 || math.Abs(slope-l.slope) > 1e-5 || math.Abs(c-c2) > 1e-6 {
		t.Errorf("seed %d: mean %.6f against %.6f, slope %g against %g, bend %g against %g", seed, mean, l.mean, slope, l.slope, c, c2)
	}
}

func TestLevelResumesARestart(t *testing.T) {
	l := levelOf(4, 8)
	for i := range 1000 {
		l.push(float64(i))
	}
	l.restart()
	for i := range 5 {
		l.push(float64(1000 + i))
	}
	l.resume()
	if l.span != spanMax || l.gap != gapFull || math.Abs(l.slope-1) > 1e-9 {
		t.Errorf("span %d, gap %d, slope %g after the restart was taken back", l.span, l.gap, l.slope)
	}
}

// The bend of a parabola is its coefficient; easing adds nothing to a line and
// gives an exponential's own course.
func TestLevelBendAndEasing(t *testing.T) {
	l := levelOf(4, 8)
	for i := range 600 {
		l.push(0.01 * float64(i*i))
	}
	if c, _ := l.bend(); math.Abs(c-0.01) > 1e-6 {
		t.Errorf("bend = %g, want 0.01", c)
	}
	l = levelOf(4, 8)
	const tau = 2000.0
	for i := range 600 {
		l.push(1000 * math.Exp(-float64(i)/tau))
	}
	c, _ := l.bend()
	x := l.win[0].lever / 4
	at := 599 - 1.5 // centre of the newest four
	want := 1000 * math.Exp(-at/tau)
	if got := l.mean + l.slope*x + l.easing(c, x); math.Abs(got-want) > 0.05 {
		t.Errorf("exponential continued: %.4f, want %.4f (line alone %.4f)", got, want, l.mean+l.slope*x)
	}
}

// Three forged values never confirm a window, whatever their size.
func TestConfirmNeedsMoreThanASpike(t *testing.T) {
	const seed = 9
	r := rand.New(rand.NewPCG(seed, 0))
	confirmed := 0
	for trial := range 4000 {
		l := levelOf(4, 8, 16, 32)
		for range 320 {
			l.push(r.NormFloat64())
		}
		size := -5 * math.Exp(3*r.Float64())
		wide := 1 + trial%3
		for i := range 12 {
			v := r.NormFloat64()
			if i < wide {
				v += size
			}
			if !l.push(v) {
				continue
			}
			l.measure()
			for k := range l.win[:l.armed()] {
				if l.confirm(k, -1) {
					confirmed++
				}
			}
		}
	}
	if confirmed > 4 {
		t.Errorf("seed %d: %d confirmations in 4000 spikes", seed, confirmed)
	}
}
