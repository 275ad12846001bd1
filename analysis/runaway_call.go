package analysis

import "ventward/detect"

// A runawayCall is what an event of a run says of the cell or the vessel.
type runawayCall struct {
	kind  detect.Kind
	onset int64  // ns
	doubt string // why its kind is uncertain; empty: it is not
}

// anyDoubt stands for a reason that an event does not give.
const anyDoubt = "its kind is uncertain"

// callOf reads an event.
func callOf(e *detect.Event) runawayCall {
	c := runawayCall{kind: e.Kind, onset: e.Onset}
	if e.Has(detect.FlagKindUncertain) {
		if c.doubt = e.Absent["kind"]; c.doubt == "" {
			c.doubt = anyDoubt
		}
	}
	return c
}

// called is the earliest event of a kind from from (ns) on: the earliest that is
// sure, where there is one. The onset of none is 0.
func (r *Runaway) called(kind detect.Kind, from int64) runawayCall {
	var first runawayCall
	for _, c := range r.calls {
		if c.kind != kind || c.onset < from {
			continue
		}
		better := first.onset == 0 || c.onset < first.onset
		if (c.doubt == "") != (first.doubt == "") {
			better = first.onset == 0 || c.doubt == ""
		}
		if better {
			first = c
		}
	}
	return first
}
