package analysis

import (
	"fmt"

	"ventward/detect"
)

// Bounds of what is kept of the skin's course to its highest temperature.
const (
	topsMost = 128
	topsNs   = int64(50e6) // between two of them at least
	lostNs   = int64(1e9)  // for which a couple has to be lost for a peak to hide in it
	lostPart = 0.8         // of the rise to the peak that it showed when it was lost: else it had cooled
)

// A top is a temperature (°C) above all before it, and when it was read.
type top struct {
	t int64
	c float64
}

// A climb is how a temperature came to its highest value: when a couple turns
// out to have failed, what it has read since then is taken back.
type climb struct {
	tops  []top
	first float64 // °C, the first reading
	last  top     // the newest
	left  top     // the last one before the newest hole
	lost  []loss
}

// A loss is a time for which a couple told nothing.
type loss struct {
	event    int
	from, to int64
	c        float64 // °C, what it read before
}

// take counts a valid reading.
func (k *climb) take(t int64, c float64) {
	if len(k.tops) == 0 {
		k.first = c
	}
	if t-k.last.t >= lostNs {
		k.left = k.last
	}
	k.last = top{t, c}
	n := len(k.tops)
	if n > 0 && c <= k.tops[n-1].c {
		return
	}
	if n > 1 && t-k.tops[n-2].t < topsNs {
		k.tops[n-1] = k.last
		return
	}
	if n == topsMost {
		for i := range n / 2 {
			k.tops[i] = k.tops[2*i+1]
		}
		k.tops = k.tops[:n/2]
	}
	k.tops = append(k.tops, k.last)
}

// fault takes a fault of the couple: its readings from then on are none.
func (k *climb) fault(e *detect.Event) {
	switch e.Fault {
	case detect.FaultFrozen, detect.FaultOpen, detect.FaultRail, detect.FaultGap, detect.FaultDropout:
	default:
		return
	}
	kept := k.tops[:0]
	for _, x := range k.tops {
		if x.t < e.Onset || e.End > e.Onset && x.t >= e.End {
			kept = append(kept, x)
		}
	}
	k.tops = kept
	for i := range k.lost {
		if x := &k.lost[i]; x.event == e.ID {
			x.from, x.to = e.Onset, max(e.End, e.Onset)
			return
		}
	}
	k.lost = append(k.lost, loss{event: e.ID, from: e.Onset, to: max(e.End, e.Onset), c: k.before(e.Onset)})
}

// before is what was read before from, as far as it is still known: else the
// highest.
func (k *climb) before(from int64) float64 {
	switch n := len(k.tops); {
	case k.last.t < from || n == 0:
		return k.last.c
	case from-lostNs <= k.left.t && k.left.t <= from:
		return k.left.c
	default:
		for n > 1 && k.tops[n-1].t >= from {
			n--
		}
		return k.tops[n-1].c
	}
}

// peak is the highest temperature read; doubt says why it may have been higher:
// the couple was lost after the cell began to give off gas, and hot.
func (k *climb) peak(began int64) (c float64, doubt string, ok bool) {
	if len(k.tops) == 0 {
		return 0, "", false
	}
	c = k.tops[len(k.tops)-1].c
	for _, x := range k.lost {
		if began != 0 && x.from >= began && x.to-x.from >= lostNs && x.c >= k.first+lostPart*(c-k.first) {
			return c, fmt.Sprintf("at least: the skin's thermocouple told nothing for %.3g s when it was at %.0f °C", float64(x.to-x.from)*1e-9, x.c), true
		}
	}
	return c, "", true
}
