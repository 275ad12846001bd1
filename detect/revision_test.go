package detect

import "testing"

// What a later window says of the outflow replaces what an earlier one said as a
// whole: never an area beside a bound of it, or beside the reason why it is absent.
func TestOutflowIsReplacedAsAWhole(t *testing.T) {
	x, u, least, tau := 5e-6, 1e-7, 3e-6, 0.02
	resolved := Finding{AreaM2: &x, AreaUM2: &u, TauS: &tau}
	bound := Finding{AreaLowerM2: &least, Absent: map[string]string{"area_m2": "not resolved", "tau_s": "not resolved"}}
	silent := Finding{}
	var e Event
	for i, c := range []struct {
		f     Finding
		area  bool
		bound bool
		tau   bool
	}{{bound, false, true, false}, {resolved, true, false, true}, {silent, true, false, true}, {bound, false, true, false}} {
		e.outflow(&c.f)
		if (e.AreaM2 != nil) != c.area || (e.AreaUM2 != nil) != c.area || (e.AreaLowerM2 != nil) != c.bound || (e.TauS != nil) != c.tau {
			t.Errorf("finding %d: %+v", i, e)
		}
	}
}
