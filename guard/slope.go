package guard

import "ventward/daq"

// slopeBins is into how many parts a rate rule's window is cut.
const slopeBins = 8

// bin is a part of the window: sums over its sound samples.
type bin struct {
	N    int     `json:"n"`
	From int64   `json:"from"` // time of its first sample, ns
	T    float64 `json:"t"`    // sum of times since From, s
	V    float64 `json:"v"`    // sum of values
}

// slope is what a rate rule remembers of one channel: the bins of the last
// window and the one that is filling.
type slope struct {
	Full [slopeBins]bin `json:"full"` // oldest first; N 0: none
	Open bin            `json:"open"`
}

// take adds one sample and tells whether a bin was closed by it.
func (p *slope) take(x *daq.Sample, binNS int64) bool {
	closed := false
	if p.Open.N > 0 && x.T-p.Open.From >= binNS {
		copy(p.Full[:], p.Full[1:])
		p.Full[slopeBins-1], p.Open = p.Open, bin{}
		closed = true
	}
	if p.Open.N == 0 {
		p.Open.From = x.T
	}
	p.Open.N++
	p.Open.T += float64(x.T-p.Open.From) * 1e-9
	p.Open.V += x.V
	return closed
}

// value is the least-squares slope through the bins' means, weighted by their
// numbers of samples, in the channel's unit per second. It is known only with
// three bins or more that span half the window or more.
func (p *slope) value(now, windowNS int64) (float64, bool) {
	var n int
	var w, mt, mv, first, last float64
	at := func(b *bin) (t, v float64) {
		return float64(b.From-now)*1e-9 + b.T/float64(b.N), b.V / float64(b.N)
	}
	oldest := now - windowNS - windowNS/slopeBins
	for i := range p.Full {
		b := &p.Full[i]
		if b.N == 0 || b.From < oldest {
			continue
		}
		t, v := at(b)
		if n == 0 {
			first = t
		}
		n, last = n+1, t
		w += float64(b.N)
		mt += float64(b.N) * t
		mv += float64(b.N) * v
	}
	if n < 3 || last-first < 0.5*float64(windowNS)*1e-9 {
		return 0, false
	}
	mt, mv = mt/w, mv/w
	var tt, tv float64
	for i := range p.Full {
		b := &p.Full[i]
		if b.N == 0 || b.From < oldest {
			continue
		}
		t, v := at(b)
		tt += float64(b.N) * (t - mt) * (t - mt)
		tv += float64(b.N) * (t - mt) * (v - mv)
	}
	return tv / tt, tt > 0
}

// rate judges the slope of a channel each time a part of its window is full.
func (g *Guard) rate(c *condition, s []daq.Sample, now int64) {
	p := &g.s.Slopes[c.aux]
	window := seconds(g.o.Rules[c.rule].WindowS)
	for i := range s {
		if s[i].Q&daq.Bad != 0 || s[i].V-s[i].V != 0 {
			continue
		}
		if !p.take(&s[i], window/slopeBins) {
			continue
		}
		v, ok := p.value(s[i].T, window)
		if !ok {
			continue
		}
		bound := c.edge
		if c.Raw {
			bound = c.back
		}
		over := v*c.factor >= bound
		if over && !c.Holds {
			c.Value = finite(v)
		}
		g.set(c, over, s[i].T, now)
	}
}
