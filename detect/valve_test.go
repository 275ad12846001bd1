package detect

import (
	"testing"

	"ventward/daq"
)

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

// The dump valve's input may come to be known after two falls have been told, as
// readings come in batches: the first, which the second has cut short before it
// could be told what it was, is the valve's, and the second an opening.
func TestDumpToldAfterTwoFalls(t *testing.T) {
	m, err := New(Options{Channels: []daq.Channel{{Name: "p", Role: daq.RoleSpecimen, Quantity: daq.Pressure}}, RateHz: []float64{5000}})
	if err != nil {
		t.Fatal(err)
	}
	c := &m.channels[0]
	m.dump.known = true
	first := m.book.open(Bulge, c, 1010e6, 1015e6)
	first.shape, first.slack = Bulge, 5e6
	m.book.issue(first)
	second := m.book.open(VentOpening, c, 1022e6, 1023e6)
	second.slack = 2e6
	m.book.issue(second)
	m.turn(&m.dump, true, 1004e6, 1005e6)
	if first.ev.Kind != Dump || second.ev.Kind != VentOpening {
		t.Errorf("told %s, then %s", first.ev.Kind, second.ev.Kind)
	}
	// a slow bulge that has nothing to do with the valve stays one
	slow := m.book.open(Bulge, c, 1900e6, 2015e6)
	slow.shape, slow.slack = Bulge, 200e6
	m.book.issue(slow)
	m.dump.change(false, 1950e6, 1950e6)
	third := m.book.open(VentOpening, c, 2022e6, 2023e6)
	third.slack = 2e6
	m.book.issue(third)
	m.turn(&m.dump, true, 2015e6, 2020e6)
	if slow.ev.Kind != Bulge || third.ev.Kind != Dump {
		t.Errorf("told %s, then %s", slow.ev.Kind, third.ev.Kind)
	}
}
