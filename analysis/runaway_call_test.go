package analysis

import (
	"testing"

	"ventward/detect"
)

// A time that rests on an uncertain event says why; a sure event of the kind
// goes before it, and one that is renamed counts no more.
func TestRunawayCalls(t *testing.T) {
	const s = int64(1e9)
	why := map[string]string{"kind": "no dip"}
	unsure := detect.Event{ID: 1, Kind: detect.FirstVenting, Onset: 10 * s, Flags: []detect.Flag{detect.FlagKindUncertain}, Absent: why}
	sure := detect.Event{ID: 2, Kind: detect.FirstVenting, Onset: 20 * s}
	fault := sure
	fault.Kind = detect.SensorFault
	bare := detect.Event{ID: 3, Kind: detect.Runaway, Onset: 30 * s, Flags: []detect.Flag{detect.FlagKindUncertain}}
	dump := detect.Event{ID: 4, Kind: detect.Dump, Onset: 5 * s}
	later := detect.Event{ID: 5, Kind: detect.Dump, Onset: 40 * s}
	r := NewRunaway(vesselRun{}.options(), 0)
	for _, c := range []struct {
		e                detect.Event
		venting          int64
		doubt, ranDoubt  string
		dumped, runaways int64
	}{
		{unsure, 10, "no dip", "", 0, 0},
		{sure, 20, "", "", 0, 0},
		{fault, 10, "no dip", "", 0, 0},
		{bare, 10, "no dip", anyDoubt, 0, 30},
		{dump, 10, "no dip", anyDoubt, 0, 30},
		{later, 10, "no dip", anyDoubt, 40, 30},
	} {
		r.Event(&c.e)
		x := r.Result()
		if x.Venting != c.venting*s || x.VentingDoubt != c.doubt || x.RunawayDoubt != c.ranDoubt || x.Runaway != c.runaways*s || r.dumped != c.dumped*s {
			t.Errorf("after event %d (%s): venting %d %q, runaway %d %q, dump %d", c.e.ID, c.e.Kind, x.Venting, x.VentingDoubt, x.Runaway, x.RunawayDoubt, r.dumped)
		}
	}
}
