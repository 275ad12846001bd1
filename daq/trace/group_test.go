package trace

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"ventward/daq"
)

// A column that a slower logger filled is an instrument of its own: what it
// left empty between two readings is not missing. What a fast one left empty
// is.
func TestColumnsReadMoreSeldom(t *testing.T) {
	const seed = 20
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	var s strings.Builder
	s.WriteString("t_s,p1_barg,tc1_C,p2_barg,dump_valve,tc2_C,x\n")
	const rows = 1000
	lost := 0
	for k := range rows {
		p1, tc1, p2, dump, tc2 := fmt.Sprintf("%d.5", k), "", fmt.Sprint(k), "", ""
		if k%50 == 7 {
			tc1, tc2 = fmt.Sprint(k), fmt.Sprint(2*k)
		}
		if rng.IntN(10) < 4 { // many, but it has no slower rate
			p2 = ""
			lost++
		}
		if k == 0 || k == 600 {
			dump = fmt.Sprint(k / 600)
		}
		fmt.Fprintf(&s, "%d.%03d,%s,%s,%s,%s,%s,\n", k/1000, k%1000, p1, tc1, p2, dump, tc2)
	}
	tr, err := Read(strings.NewReader(s.String()), Options{})
	if err != nil {
		t.Fatal(err)
	}
	ins, chs := tr.Instruments(), tr.Channels()
	if len(ins) != 3 || ins[0].Columns != 3 || ins[1].Columns != 2 || ins[1].RateHz != 20 || ins[2].Columns != 1 {
		t.Fatalf("instruments %+v, want p1 p2 x, tc1 tc2 at 20 Hz, and dump_valve", ins)
	}
	got := conditioned(t, tr, ins, chs)
	for c, want := range []int{rows, rows / 50, rows, 2, rows / 50, rows} {
		if len(got[c]) != want {
			t.Errorf("%s: %d samples, want %d", chs[c].Name, len(got[c]), want)
		}
	}
	missing := 0
	for c := range got {
		for k := range got[c] {
			x := &got[c][k]
			row := int(x.T / 1e6)
			if v := tr.Columns[c].Values[row]; x.Q&daq.Missing != 0 && v == v || x.Q&daq.Missing == 0 && x.V != v {
				t.Fatalf("%s at row %d: %+v, the column has %g", chs[c].Name, row, *x, v)
			}
			if x.Q&daq.Missing != 0 {
				missing++
			}
		}
	}
	if missing != lost+rows { // x was never read
		t.Errorf("%d samples are missing, want %d of p2 and all %d of x", missing, lost, rows)
	}
}

// conditioned takes a trace through clocks and conditioner, and checks that its
// batches come in the order of time.
func conditioned(t *testing.T, tr *Trace, ins []daq.Instrument, chs []daq.Channel) [][]daq.Sample {
	t.Helper()
	clocks := make([]*daq.Clock, len(ins))
	for i := range ins {
		clocks[i] = daq.NewClock(daq.ClockOptions{Instrument: ins[i]})
	}
	cond, err := daq.NewConditioner(chs, ins)
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]daq.Sample, len(chs))
	last := int64(-1)
	for b := range tr.Batches(100) {
		if b.Arrived < last || b.K > 100 {
			t.Fatalf("batch of %d rows at %d after %d", b.K, b.Arrived, last)
		}
		last = b.Arrived
		cond.Take(b, clocks[b.Instrument].Take(b), func(ch daq.ChannelID, s []daq.Sample) { out[ch] = append(out[ch], s...) })
	}
	return out
}
