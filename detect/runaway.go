package detect

import "fmt"

// The criteria of a runaway (GB 38031-2025, C.5.3.7; UN GTR No. 20 has the same
// three, from memory):
//
//	a  the cell's voltage falls by more than a quarter of what it was;
//	b  the temperature reaches the maker's maximum operating temperature;
//	c  it rises by at least 1 °C/s for more than 3 s.
//
// A runaway is a and c, or b and c. Where the maker's temperature is not given,
// 60 °C stands for it (common practice, no source): no cell runs away below it.
// A heater alone can pass that at more than 1 °C/s; so then only a rise that no
// heater gives counts (see strongRate).
const (
	voltageDrop    = 0.25
	usualMaxC      = 60.0
	voltageSamples = 3           // in a row that make the drop believed,
	voltageNs      = int64(1e9)  // and for so long: a glitch comes back
	waitNs         = int64(30e9) // for which a rise waits for a or b
	// A rise that had lasted longer than this before a or b was met is the
	// heater's own up to then: the runaway's onset is where they were met.
	ownNs = int64(10e9)
)

// criteria is which of them have been met.
type criteria struct {
	a, b   bool
	at     int64 // when the first of a and b was met; 0: not yet
	usual  bool  // b rests on usualMaxC
	lowAt  int64 // since when the voltage is down
	low    int   // samples in a row with the voltage down
	from   int64 // onset of criterion c; 0: not met
	held   int64 // when it was last met
	strong bool  // it was met by strongRate
	words  string
}

// voltage takes a reading of the cell's voltage at t and what it was before.
func (k *criteria) voltage(v, before float64, t int64) {
	if v >= (1-voltageDrop)*before {
		k.low = 0
		return
	}
	if k.low == 0 {
		k.lowAt = t
	}
	if k.low++; k.low >= voltageSamples && t-k.lowAt >= voltageNs {
		if k.a = true; k.at == 0 {
			k.at = k.lowAt
		}
	}
}

// temperature takes the newest temperature, °C, at t; most is the maker's
// maximum, 0: not given.
func (k *criteria) temperature(v, most float64, t int64) {
	if most == 0 {
		most, k.usual = usualMaxC, true
	}
	if k.b = k.b || v >= most; k.b && k.at == 0 {
		k.at = t
	}
}

// rising notes that criterion c is met now, since from and by which rate for
// how long; strong: by a rate that no heater gives.
func (k *criteria) rising(from, now int64, rate, hold float64, strong bool) {
	k.held = now
	if k.from == 0 {
		k.from, k.words = from, fmt.Sprintf("c: dT/dt >= %g °C/s for %g s", rate, hold)
	}
	k.strong = k.strong || strong
}

// expire forgets a rise that is long over: a heater that was fast for a while.
func (k *criteria) expire(now int64) {
	if k.from != 0 && now-k.held > waitNs {
		k.from, k.strong = 0, false
	}
}

// onset is when the runaway began, once there is one; heated: the heater alone
// may be what met its criteria.
func (k *criteria) onset() (at int64, heated bool) {
	if k.at-k.from > ownNs {
		return k.at, !k.strong
	}
	return k.from, false
}

// verdict tells whether it is a runaway, and by which criteria.
func (k *criteria) verdict() (string, bool) {
	if k.from == 0 {
		return "", false
	}
	byB := k.b && (!k.usual || k.strong)
	a, b := "a: voltage down by more than 25 %", "b: maximum operating temperature reached"
	switch {
	case k.a && byB:
		return "a, b and c; " + a + "; " + b + "; " + k.words, true
	case k.a:
		return "a and c; " + a + "; " + k.words, true
	case byB:
		return "b and c; " + b + "; " + k.words, true
	}
	return "", false
}
