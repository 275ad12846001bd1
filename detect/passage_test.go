package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ventward/daq"
)

// stumbles is a noisy fall on which spikes ride, as sample number i of it.
func stumbles(rng *rand.Rand, i int) float64 {
	v := 1000 - 0.1*float64(max(i-300, 0)) + rng.NormFloat64()
	if i%97 < i%3 {
		v += 40 * rng.NormFloat64()
	}
	return v
}

// A fall that is followed as it goes on, while the noise's estimate moves and spikes
// are marked late, shows the same as one that is followed anew at every look.
func TestPassageGoesOn(t *testing.T) {
	const seed, onset = 7, 250
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	c := newCapture(1000)
	k := watch{c: &channel{period: 1e6, p: &pressure{cap: c}}, onset: onset, ns: 12e6, least: 930}
	kept := 0
	for i := range len(c.v) + 300 {
		c.push([]daq.Sample{{T: int64(i) * 1e6, V: stumbles(rng, i)}})
		if i%55 == 0 {
			for j := max(0, i-12); j < i-5; j++ {
				c.mark(j, daq.Spike)
			}
		}
		if i < onset+10 || i%11 != 0 {
			continue
		}
		c.limit = 12 + 3*rng.Float64()
		s := course{from: onset, to: c.n, n: c.n - onset, onset: 1000, before: 2, goOn: 0.1}
		from, anew := s, k
		anew.past = passage{}
		if c.marks > k.past.marks && k.past.holds(&s, c, k.past.block) {
			t.Fatalf("%d samples: it goes on though samples were marked", c.n)
		}
		if k.past.next > onset && k.past.holds(&s, c, k.past.block) {
			kept++
		}
		k.blocks(&s)
		anew.blocks(&from)
		if s != from {
			t.Fatalf("%d samples: goes on as %+v, anew as %+v", c.n, s, from)
		}
	}
	if kept < 10 {
		t.Errorf("it went on from the look before %d times only", kept)
	}
}

// At a limit that holds, the same samples stand out as at those that it was learnt
// from.
func TestLimitsHold(t *testing.T) {
	const seed = 3
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	c := newCapture(1000)
	for i := range 600 {
		c.push([]daq.Sample{{T: int64(i) * 1e6, V: stumbles(rng, i)}})
	}
	plain := func(limit float64) (v [40]float64) {
		c.limit = limit
		for i := range v {
			v[i], _ = c.calm(500+i, 501+i)
		}
		return v
	}
	held := 0
	for range 2000 {
		one, other := 20*rng.Float64(), 20*rng.Float64()
		want := plain(one)
		l := limits{most: math.Inf(1)}
		l.learn(c, 500, 540)
		if !l.hold(other) {
			continue
		}
		held++
		if plain(other) != want {
			t.Errorf("limits %+v, learnt at %g, hold at %g, where other samples stand out", l, one, other)
		}
	}
	if held < 200 {
		t.Errorf("only %d of 2000 limits hold", held)
	}
}
