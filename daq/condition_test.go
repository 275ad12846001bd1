package daq

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ventward/daq/calib"
)

var one = calib.Curve{Kind: calib.Linear, Gain: 1}

func conditioner(t testing.TB, channels []Channel, instruments ...Instrument) *Conditioner {
	t.Helper()
	c, err := NewConditioner(channels, instruments)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// collect takes a batch and returns copies of what came out, by channel.
func collect(c *Conditioner, b *Batch, st Stamp) map[ChannelID][]Sample {
	out := map[ChannelID][]Sample{}
	c.Take(b, st, func(ch ChannelID, s []Sample) { out[ch] = slices.Clone(s) })
	return out
}

func settled(t0 int64, step float64) Stamp { return Stamp{T0: t0, StepNS: step, Settled: true} }

// Columns become channels: several may read the same one, none may read
// another.
func TestConditionerColumns(t *testing.T) {
	c := conditioner(t, []Channel{
		{Name: "p1", Quantity: Pressure, Instrument: 1, Column: 1, Curve: calib.Curve{Kind: calib.Linear, Gain: 1000, Offset: -5}, Certificate: "C-1"},
		{Name: "raw", Quantity: Number, Instrument: 1, Column: 1, Curve: one},
		{Name: "p2", Quantity: Pressure, Instrument: 1, Column: 0, Curve: one, Certificate: "C-2"},
		{Name: "other", Quantity: Number, Instrument: 0, Column: 0, Curve: one},
	}, Instrument{Name: "a", Columns: 1}, Instrument{Name: "b", Columns: 2})
	got := collect(c, &Batch{Instrument: 1, N: 2, K: 3, Counts: []int32{10, 20, 11, -21, 12, 22}}, settled(5000, 100.4))
	want := map[ChannelID][]Sample{
		0: {{5000, 19995, 20, 0}, {5100, -21005, -21, 0}, {5201, 21995, 22, 0}},
		1: {{5000, 20, 20, 0}, {5100, -21, -21, 0}, {5201, 22, 22, 0}},
		2: {{5000, 10, 10, 0}, {5100, 11, 11, 0}, {5201, 12, 12, 0}},
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", got, want)
	}
	// What is not finite is missing, on the fast way too.
	for _, s := range collect(c, &Batch{N: 1, K: 3, Floats: []float64{math.Inf(1), math.Inf(-1), math.NaN()}}, settled(0, 1))[3] {
		if s.Q != Missing || !math.IsNaN(s.V) {
			t.Errorf("not finite: %+v", s)
		}
	}
	// The rows' own times come through to the ns.
	got = collect(c, &Batch{N: 1, K: 2, Floats: []float64{1.5, math.NaN()}}, Stamp{Times: []int64{7, 1234567890123}, Settled: true})
	s := got[3]
	if s[0] != (Sample{7, 1.5, 1.5, 0}) || s[1].T != 1234567890123 || !math.IsNaN(s[1].V) || s[1].Q != Missing {
		t.Errorf("floats: %v", s)
	}
}

// Every static quality bit, at its limit and just inside it.
func TestConditionerQuality(t *testing.T) {
	pressure := Channel{Name: "p", Quantity: Pressure, Curve: calib.Curve{Kind: calib.Linear, Gain: 100}, Low: 0, High: 1e6, RailLow: -32768, RailHigh: 32767, OpenBelow: -5000, Certificate: "C"}
	inverted := pressure
	inverted.Curve = calib.Curve{Kind: calib.Linear, Gain: -100}
	bipolar := pressure
	bipolar.Low = -1e6
	loop := Channel{Name: "p", Quantity: Pressure, Curve: calib.Curve{Kind: calib.CurrentLoop, ScaleGain: 1e-3, LoopHigh: 1e7}, High: 1e7, Certificate: "C"}
	bare := Channel{Name: "p", Quantity: Pressure, Curve: one}
	digital := Channel{Name: "shield", Quantity: Digital, Curve: one}
	couple := Channel{Name: "t", Quantity: Temperature, Curve: calib.Curve{Kind: calib.ThermocoupleCurve, Thermocouple: "K", ScaleGain: 1e-3, JunctionC: 25}, Certificate: "C"}
	for _, c := range []struct {
		name string
		ch   Channel
		raw  int32
		want Quality
	}{
		{"good", pressure, 5000, 0}, {"at 98 %", pressure, 9800, Saturated}, {"just under 98 %", pressure, 9799, 0},
		{"noise below zero", pressure, -199, 0}, {"2 % of span below", pressure, -201, Under}, {"open", pressure, -5001, Open | Under}, {"not yet open", pressure, -5000, Under},
		{"low rail", pressure, -32768, Rail | Open | Under}, {"high rail", pressure, 32767, Rail | Saturated}, {"next to the rail", pressure, 32766, Saturated},
		{"inverted good", inverted, -5000, 0}, {"inverted 98 %", inverted, -9800, Saturated | Open}, {"inverted below", inverted, 201, Under},
		{"bipolar low", bipolar, -9800, Saturated | Open}, {"bipolar near low", bipolar, -4999, 0},
		{"loop good", loop, 12000, 0}, {"loop open", loop, 3599, Open | Under}, {"loop under", loop, 3799, Under}, {"loop zero", loop, 4000, 0}, {"loop 98 %", loop, 19680, Saturated},
		{"loop over", loop, 20501, Saturated}, {"loop failed", loop, 21001, Rail | Saturated},
		{"uncalibrated", bare, 1 << 30, Uncalibrated}, {"a digital needs no certificate", digital, 1, 0},
		{"couple", couple, 1000, 0}, {"couple off the table", couple, 1 << 20, Rail},
	} {
		c.ch.Instrument, c.ch.Column = 0, 0
		got := collect(conditioner(t, []Channel{c.ch}, Instrument{Columns: 1}), &Batch{N: 1, K: 1, Counts: []int32{c.raw}}, settled(0, 0))[0][0]
		if got.Q != c.want {
			t.Errorf("%s: raw %d is %v (value %g), want %v", c.name, c.raw, got.Q, got.V, c.want)
		}
	}
}

// The bits of a whole batch: gap on the first sample, unsettled and late on
// all.
func TestConditionerBatchQuality(t *testing.T) {
	c := conditioner(t, []Channel{{Name: "n", Quantity: Number, Curve: one}}, Instrument{Columns: 1})
	for i, k := range []struct {
		lost, refused, epoch uint32
		st                   Stamp
		first, rest          Quality
	}{
		{0, 0, 0, settled(0, 1), 0, 0},
		{3, 0, 0, settled(0, 1), Gap, 0},
		{0, 2, 0, settled(0, 1), Gap, 0},
		{0, 0, 1, settled(0, 1), Gap, 0},
		{0, 0, 1, settled(0, 1), 0, 0},
		{0, 0, 1, Stamp{}, Unsettled, Unsettled},
		{0, 0, 1, Stamp{Settled: true, Late: true}, Late, Late},
		{1, 0, 2, Stamp{Late: true}, Gap | Unsettled | Late, Unsettled | Late},
	} {
		s := collect(c, &Batch{N: 1, K: 3, Counts: []int32{1, 2, 3}, Lost: k.lost, Refused: k.refused, Epoch: k.epoch}, k.st)[0]
		if s[0].Q != k.first || s[1].Q != k.rest || s[2].Q != k.rest {
			t.Errorf("batch %d: %v, %v, %v; want %v, then %v", i, s[0].Q, s[1].Q, s[2].Q, k.first, k.rest)
		}
	}
	// An instrument that first spoke in epoch 4 has no gap before it.
	c = conditioner(t, []Channel{{Name: "n", Quantity: Number, Curve: one}}, Instrument{Columns: 1})
	if s := collect(c, &Batch{N: 1, K: 1, Counts: []int32{1}, Epoch: 4}, settled(0, 1))[0]; s[0].Q != 0 {
		t.Errorf("first batch: %v", s[0].Q)
	}
}

// A thermocouple takes the newest sound reading of its junction channel, which
// may come from the same batch or from another instrument; before there is one
// it has no value.
func TestConditionerColdJunction(t *testing.T) {
	couple := calib.Curve{Kind: calib.ThermocoupleCurve, Thermocouple: "K", Junction: "cj"}
	c := conditioner(t, []Channel{
		{Name: "skin", Quantity: Temperature, Instrument: 0, Column: 0, Curve: couple, Certificate: "C"},
		{Name: "gas", Quantity: Temperature, Instrument: 1, Column: 0, Curve: couple, Certificate: "C"},
		{Name: "cj", Quantity: Temperature, Instrument: 1, Column: 1, Curve: one, Certificate: "C"},
	}, Instrument{Columns: 1}, Instrument{Columns: 2})
	const e = 15.396899 // mV for 400 °C over 25 °C: computed by another program from the coefficients of NIST Monograph 175
	skin := func() Sample {
		return collect(c, &Batch{Instrument: 0, N: 1, K: 1, Floats: []float64{e}}, settled(0, 1))[0][0]
	}
	if s := skin(); s.Q != Missing || !math.IsNaN(s.V) {
		t.Errorf("before the junction was read: %+v", s)
	}
	out := collect(c, &Batch{Instrument: 1, N: 2, K: 2, Floats: []float64{e, 25, e, math.NaN()}}, settled(0, 1))
	if s := out[1]; math.Abs(s[0].V-400) > 2e-5 || s[0].Q != 0 || math.Abs(s[1].V-400) > 2e-5 {
		t.Errorf("junction in the same batch: %+v, want 400", s)
	}
	if s := skin(); math.Abs(s.V-400) > 2e-5 || s.Q != 0 {
		t.Errorf("junction on another instrument: %+v, want 400", s)
	}
}

// What does not fit is counted, never read past its end.
func TestConditionerRefuses(t *testing.T) {
	c := conditioner(t, []Channel{{Name: "a", Quantity: Number, Curve: one}, {Name: "b", Quantity: Number, Column: 1, Curve: one}}, Instrument{Columns: 2})
	for i, b := range []*Batch{
		{Instrument: 9, N: 2, K: 1, Counts: make([]int32, 2)},
		{N: 2, K: 0},
		{N: 2, K: 2, Counts: make([]int32, 3)},
		{N: 0, K: 1, Counts: make([]int32, 1)},
		{N: -1, K: 1, Floats: make([]float64, 1)},
		{N: 2, K: 1},
		{N: 2, K: math.MaxInt / 2, Counts: make([]int32, 3)},
	} {
		if out := collect(c, b, settled(0, 1)); len(out) != 0 || c.Refused() != uint64(i+1) {
			t.Errorf("batch %d gives %v, %d refused", i, out, c.Refused())
		}
	}
	before := c.Refused()
	if out := collect(c, &Batch{N: 1, K: 1, Counts: []int32{5}}, settled(0, 1)); len(out) != 1 || c.Refused() != before+1 {
		t.Errorf("a batch of too few columns gives %v, %d refused", out, c.Refused())
	}
	if out := collect(c, &Batch{N: 2, K: 2, Counts: make([]int32, 4)}, Stamp{Times: []int64{1}}); len(out) != 0 {
		t.Errorf("too few times: %v", out)
	}
}

func TestNewConditionerNamesTheProblem(t *testing.T) {
	couple := calib.Curve{Kind: calib.ThermocoupleCurve, Thermocouple: "K", Junction: "cj"}
	good := Channel{Name: "p", Quantity: Pressure, Curve: one}
	with := func(f func(*Channel)) Channel { c := good; f(&c); return c }
	for _, c := range []struct {
		chs  []Channel
		says string
	}{
		{[]Channel{with(func(c *Channel) { c.Instrument = 1 })}, `channel "p": instrument = 1`},
		{[]Channel{with(func(c *Channel) { c.Column = 2 })}, `column = 2: instrument "box" has 2`},
		{[]Channel{with(func(c *Channel) { c.Low = 2; c.High = 1 })}, "high = 1"},
		{[]Channel{with(func(c *Channel) { c.Curve = calib.Curve{} })}, "kind"},
		{[]Channel{{Name: "t", Quantity: Temperature, Curve: couple}}, `junction = "cj": no such channel`},
		{[]Channel{{Name: "t", Quantity: Temperature, Curve: couple}, {Name: "cj", Quantity: Pressure, Curve: one}}, "measures pressure"},
		{[]Channel{{Name: "cj", Quantity: Temperature, Curve: couple}}, "thermocouple itself"},
	} {
		if _, err := NewConditioner(c.chs, []Instrument{{Name: "box", Columns: 2}}); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want an error with %q", err, c.says)
		}
	}
}

// The fast way and the slow way give the same value and the same bits,
// whatever the limits.
func TestConditionerFastWayIsTheSlowWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		ch := Channel{Name: "p", Quantity: Pressure, Low: f("low", -100, 100), RailLow: f("rail low", -1000, -100), RailHigh: f("rail high", 100, 1000),
			OpenBelow: rapid.SampledFrom([]float64{0, -300, 5}).Draw(t, "open"),
			Curve:     calib.Curve{Kind: calib.Linear, Gain: rapid.SampledFrom([]float64{1, -1, 0.1, 12.5, -1e-3}).Draw(t, "gain"), Offset: f("offset", -50, 50)}}
		ch.High = ch.Low + f("span", 0, 300)
		if rapid.Bool().Draw(t, "loop") {
			ch.Curve = calib.Curve{Kind: calib.CurrentLoop, ScaleGain: 0.1, LoopLow: ch.Low, LoopHigh: ch.High + 1}
		}
		c, err := NewConditioner([]Channel{ch}, []Instrument{{Columns: 1}})
		if err != nil {
			t.Fatal(err)
		}
		raw := int32(rapid.IntRange(-1100, 1100).Draw(t, "raw"))
		var got Sample
		c.Take(&Batch{N: 1, K: 1, Counts: []int32{raw}}, settled(1, 1), func(_ ChannelID, s []Sample) { got = s[0] })
		want := Sample{T: 1, Raw: float64(raw)}
		c.lanes[0][0].judge(&want, Uncalibrated, 0)
		if got != want {
			t.Fatalf("fast %+v, slow %+v", got, want)
		}
	})
}

func TestConditionerDoesNotAllocate(t *testing.T) {
	c, b := bench(t)
	n := 0
	if a := testing.AllocsPerRun(200, func() {
		c.Take(b, settled(0, 1e5), func(_ ChannelID, s []Sample) { n += len(s) })
	}); a != 0 {
		t.Errorf("%g allocations a batch", a)
	}
	if n == 0 {
		t.Error("no samples")
	}
}

// bench is 8 channels of which one is a current loop, in batches of 160 rows
// (16 ms at 10 kHz).
func bench(t testing.TB) (*Conditioner, *Batch) {
	var chs []Channel
	for i := range 8 {
		ch := Channel{Name: fmt.Sprint("p", i), Quantity: Pressure, Column: i, Curve: calib.Curve{Kind: calib.Linear, ScaleGain: 0.5, Gain: 2, Offset: 3}, High: 1e9, RailHigh: 1 << 23, RailLow: -1 << 23}
		if i == 7 {
			ch.Curve = calib.Curve{Kind: calib.CurrentLoop, ScaleGain: 1e-6, LoopHigh: 1e7}
		}
		chs = append(chs, ch)
	}
	b := &Batch{N: 8, K: 160, Counts: make([]int32, 8*160)}
	for i := range b.Counts {
		b.Counts[i] = int32(5000000 + i)
	}
	return conditioner(t, chs, Instrument{Columns: 8}), b
}

func BenchmarkConditionerTake(b *testing.B) {
	c, bt := bench(b)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		c.Take(bt, settled(0, 1e5), func(_ ChannelID, s []Sample) { n += len(s) })
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/sample")
}

// The slow way: every sample is saturated.
func BenchmarkConditionerTakeSaturated(b *testing.B) {
	c, bt := bench(b)
	for i := range bt.Counts {
		bt.Counts[i] = 1<<31 - 1
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		c.Take(bt, settled(0, 1e5), func(_ ChannelID, s []Sample) { n += len(s) })
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/sample")
}

// A conditioner restored from a snapshot goes on as the one it was taken from:
// it knows the cold junction and the epoch.
func TestConditionerSnapshotGoesOn(t *testing.T) {
	chs := []Channel{
		{Name: "t", Quantity: Temperature, Curve: calib.Curve{Kind: calib.ThermocoupleCurve, Thermocouple: "K", Junction: "cj"}},
		{Name: "cj", Quantity: Temperature, Instrument: 1, Curve: one},
	}
	ins := []Instrument{{Columns: 1}, {Columns: 1}}
	a, b := conditioner(t, chs, ins...), conditioner(t, chs, ins...)
	hot := &Batch{N: 1, K: 1, Floats: []float64{10}}
	if err := b.Restore(a.Snapshot()); err != nil { // nothing learnt yet
		t.Fatal(err)
	}
	a.Take(&Batch{Instrument: 1, N: 1, K: 1, Floats: []float64{23.5}}, settled(0, 1), func(ChannelID, []Sample) {})
	a.Take(hot, settled(0, 1), func(ChannelID, []Sample) {})
	if err := b.Restore(a.Snapshot()); err != nil {
		t.Fatal(err)
	}
	hot.Epoch = 1
	sa, sb := collect(a, hot, settled(1, 1))[0][0], collect(b, hot, settled(1, 1))[0][0]
	if sa != sb || sa.Q != Gap|Uncalibrated {
		t.Errorf("restored: %+v, the first: %+v", sb, sa)
	}
	for _, bad := range []string{"{", `{"epochs":[1]}`, `{"epochs":[0,0],"junctions":[1,2,3]}`} {
		if err := b.Restore([]byte(bad)); err == nil {
			t.Errorf("%s was restored", bad)
		}
	}
	if err := b.Restore(nil); err != nil {
		t.Error(err)
	}
}
