package sim

import (
	"math"
	"testing"

	"ventward/daq"
	"ventward/daq/wire"
)

// listener decodes what the devices of a stand send.
type listener struct {
	s     *stand
	frame *wire.FrameDecoder
	line  *wire.LineDecoder
	lost  [3]int // rows that the stand says were lost
	rows  [3]int // rows that the stand says were sent
	p1    []float64
	seqs  []uint64
}

func listen(t *testing.T, seed uint64) *listener {
	t.Helper()
	b := testBench()
	s, err := newStand(&b, standOptions{seed: seed, calibration: 1})
	if err != nil {
		t.Fatal(err)
	}
	l := &listener{s: s}
	if l.frame, err = wire.NewFrame(*b.Instruments[0].Frame, b.Instruments[0].Instrument, 0); err != nil {
		t.Fatal(err)
	}
	if l.line, err = wire.NewLine(*b.Instruments[1].Line, b.Instruments[1].Instrument, 1); err != nil {
		t.Fatal(err)
	}
	return l
}

// run plays n ms and feeds the decoders.
func (l *listener) run(n int) {
	for range n {
		l.s.advance(10)
		now := ns(l.s.rig.t)
		for i, d := range l.s.devices {
			d.emit(l.s.rig.t, func(msg []byte, rows int, _ bool) {
				l.rows[i] += rows
				var got []*daq.Batch
				if i == 0 {
					got = l.frame.Feed(msg, now, nil)
				} else {
					got = l.line.Feed(msg, now, nil)
				}
				for _, b := range got {
					if i != 0 {
						continue
					}
					l.seqs = append(l.seqs, b.Seq)
					for k := range b.K {
						l.p1 = append(l.p1, b.Raw(k, 0))
					}
				}
			}, func(rows int) { l.lost[i] += rows })
		}
	}
}

// TestNoFault: without a fault every row arrives, none is bad.
func TestNoFault(t *testing.T) {
	l := listen(t, 1)
	l.run(1000)
	c := l.frame.Counters()
	if c.Bad != 0 || c.LostRows != 0 || c.Rows != uint64(l.rows[0]) || c.Rows < 9900 {
		t.Errorf("frame: %+v of %d rows", c, l.rows[0])
	}
	c = l.line.Counters()
	if c.Bad > 1 || c.LostRows != 0 || c.Rows < 980 { // the first line may count as partial
		t.Errorf("line: %+v of %d rows", c, l.rows[1])
	}
}

// TestFaults causes each fault and looks for its mark.
func TestFaults(t *testing.T) {
	spread := func(x []float64) float64 {
		m, q := 0.0, 0.0
		for _, v := range x {
			m += v / float64(len(x))
		}
		for _, v := range x {
			q += (v - m) * (v - m) / float64(len(x))
		}
		return math.Sqrt(q)
	}
	far := func(x []float64) (n int) {
		for _, v := range x {
			if math.Abs(v) > 1e5 {
				n++
			}
		}
		return n
	}
	marks := map[string]func(l *listener, before []float64) bool{
		"spike":  func(l *listener, _ []float64) bool { n := far(l.p1); return n >= 1 && n <= 3 },
		"spikes": func(l *listener, _ []float64) bool { n := far(l.p1); return n > 20 && n < 300 },
		"dropout": func(l *listener, _ []float64) bool {
			return l.lost[0] > 4000 && uint64(l.lost[0]) == l.frame.Counters().LostRows
		},
		"frozen": func(l *listener, _ []float64) bool { return l.p1[1000] == l.p1[2000] && l.p1[2000] == l.p1[5000] },
		"open-wire": func(l *listener, _ []float64) bool {
			return l.p1[2000] < -1e6 && math.Abs(l.p1[len(l.p1)-1]) < 1e5
		},
		"rail":         func(l *listener, _ []float64) bool { return l.p1[2000] > 6e6 },
		"bit-flips":    func(l *listener, _ []float64) bool { c := l.frame.Counters(); return c.Bad > 0 && c.LostRows > 0 },
		"lost-bytes":   func(l *listener, _ []float64) bool { c := l.frame.Counters(); return c.Bad > 0 && c.LostRows > 0 },
		"device-reset": func(l *listener, _ []float64) bool { return l.frame.Counters().Resets == 1 },
		"noise": func(l *listener, before []float64) bool {
			r := spread(l.p1[200:9000]) / spread(before)
			return r > 6 && r < 12
		},
		"hum": func(l *listener, before []float64) bool { return spread(l.p1[200:9000])/spread(before) > 8 },
	}
	for _, k := range Faults() {
		mark, ok := marks[k.Name]
		if !ok {
			continue // TestModbusFaults, TestLineFaults and TestClockDrift
		}
		l := listen(t, 2)
		l.run(500)
		before := append([]float64(nil), l.p1...)
		l.p1 = l.p1[:0]
		f := Fault{Name: k.Name, Seconds: k.Seconds}
		if k.Name == "bit-flips" || k.Name == "lost-bytes" {
			f.Size = 100
		}
		if err := l.s.cause(&f); err != nil {
			t.Errorf("%s: %v", k.Name, err)
			continue
		}
		if k.Sensor != (f.Channel != "") || k.Sensor == (f.Instrument != "") {
			t.Errorf("%s: filled as %+v", k.Name, f)
		}
		l.run(1500)
		if !mark(l, before) {
			t.Errorf("%s: no sign of it: %+v, lost %v", k.Name, l.frame.Counters(), l.lost)
		}
	}
}

// TestFaultAtOpening: a fault that waits for an opening comes before it and
// not earlier.
func TestFaultAtOpening(t *testing.T) {
	l := listen(t, 3)
	l.s.rig.runUp(19e5)
	l.s.rest()
	l.s.rig.load([]Feature{{Name: "top vent", Event: "vent-opening", OpensPa: 19.4e5, WidthS: 1e-3, AreaM2: 8e-6}})
	if err := l.s.cause(&Fault{Name: "dropout", At: "opening", Before: 0.1, Seconds: 0.3}); err != nil {
		t.Fatal(err)
	}
	for len(l.s.rig.happened) == 0 {
		l.run(1)
		if l.lost[0] > 0 && len(l.s.rig.happened) == 0 && l.s.rig.p-l.s.rig.ambient < 19.4e5-0.15e5 {
			t.Fatalf("rows are lost at %g Pa already", l.s.rig.p-l.s.rig.ambient)
		}
	}
	if l.lost[0] < 800 || l.lost[0] > 1300 {
		t.Errorf("%d rows are lost before the opening, want about 1000", l.lost[0])
	}
}

func TestFaultErrors(t *testing.T) {
	b := testBench()
	s, err := newStand(&b, standOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []Fault{
		{Name: "flood"}, {Name: "spike", Channel: "p9"}, {Name: "dropout", Instrument: "slow"}, {Name: "spike", At: "lunch"},
		{Name: "wrong-crc", Instrument: "fast"},
	} {
		if err := s.cause(&f); err == nil {
			t.Errorf("%+v is taken", f)
		}
	}
	for i := range 65 {
		if err := s.cause(&Fault{Name: "spike", At: "opening"}); (err != nil) != (i == 64) {
			t.Fatalf("fault %d that waits: %v", i, err)
		}
	}
}

// TestModbusFaults: what a Modbus line does wrong when asked to.
func TestModbusFaults(t *testing.T) {
	q := request(1, 4, 0, 0, 0, 2)
	for _, c := range []struct {
		name string
		ok   func(at float64, a []byte) bool
	}{
		{"", func(at float64, a []byte) bool { return len(a) == 9 && at < 0.01 }},
		{"silence", func(_ float64, a []byte) bool { return a == nil }},
		{"wrong-crc", func(_ float64, a []byte) bool { return len(a) == 9 && a[7] != byte(crc16(a[:7])) }},
		{"exception", func(_ float64, a []byte) bool { return len(a) == 5 && a[1] == 0x84 && a[2] == deviceFailure }},
		{"late-answers", func(at float64, a []byte) bool { return len(a) == 9 && at > 0.5 && at < 0.52 }},
	} {
		b := testBench()
		s, err := newStand(&b, standOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if c.name != "" {
			if err := s.cause(&Fault{Name: c.name}); err != nil {
				t.Fatal(err)
			}
		}
		d := s.devices[2]
		d.ask(q, s.rig.t)
		var got []byte
		at := 0.0
		for got == nil && s.rig.t < 0.7 {
			s.advance(10)
			at = s.rig.t
			d.due(at, func(msg []byte, _ int, _ bool) { got = msg })
		}
		if !c.ok(at, got) {
			t.Errorf("%q: at %g s came % x", c.name, at, got)
		}
	}
}

// TestClockDrift: a device's rows come at its own clock's pace.
func TestClockDrift(t *testing.T) {
	b := testBench()
	s, err := newStand(&b, standOptions{seed: 1, clock: func(int) crystal { return crystal{ppm: 50, period: 1} }})
	if err != nil {
		t.Fatal(err)
	}
	rows := func(seconds int) float64 {
		start := s.devices[0].complete()
		for range seconds * 100 {
			s.advance(100)
			s.devices[0].forget(s.devices[0].complete() - s.devices[0].sent)
		}
		return float64(s.devices[0].complete()-start) / float64(seconds)
	}
	near(t, "rows a second at 50 ppm", rows(5), 10000.5, 0.25)
	if err := s.cause(&Fault{Name: "clock-drift", Size: -900}); err != nil {
		t.Fatal(err)
	}
	near(t, "rows a second at -900 ppm", rows(5), 9991, 0.25)
}
