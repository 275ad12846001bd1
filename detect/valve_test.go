package detect

import "testing"

// A valve that could not be read back for a while and turns out to have shut
// did so at some time in between; one that turns out not to have moved has no
// edge.
func TestValveThatCouldNotBeRead(t *testing.T) {
	for _, open := range []bool{false, true} {
		var v valve
		v.change(true, 1e9, 1e9)
		v.known, v.doubted = false, true
		moved := v.change(open, 2e9, 3e9)
		if moved == open || !v.known || v.open != open || v.doubted {
			t.Errorf("open %v: %+v, moved %v", open, v, moved)
		}
		if covers := v.closed.covers(25e8, 0); covers == open {
			t.Errorf("open %v: an edge within what was not read: %v", open, covers)
		}
	}
	var never valve
	if never.change(false, 0, 1) || never.closed.set {
		t.Error("a valve never known before has moved")
	}
}
