package trace

import (
	"math"
	"slices"
	"strings"
	"testing"

	"ventward/daq"
)

// A trace through clock and conditioner comes out as it is in the file: times
// to the nanosecond, values to the bit, missing readings missing.
func TestBatchesComeOutAsInTheFile(t *testing.T) {
	for _, name := range []string{"burst.csv", "runaway-jitter-gap.csv", "units.csv"} {
		tr := read(t, name, Options{Reference: daq.Absolute})
		in := tr.Instruments()[0]
		clock := daq.NewClock(daq.ClockOptions{Instrument: in})
		cond, err := daq.NewConditioner(tr.Channels(), []daq.Instrument{in})
		if err != nil {
			t.Fatal(err)
		}
		out := make([][]daq.Sample, len(tr.Columns))
		rows := 0
		for b := range tr.Batches(64) {
			if b.K > 64 || b.K != len(b.Times) || b.Seq != uint64(rows) {
				t.Fatalf("%s: batch at row %d: %d rows, %d times, sequence %d", name, rows, b.K, len(b.Times), b.Seq)
			}
			rows += b.K
			cond.Take(b, clock.Take(b), func(ch daq.ChannelID, s []daq.Sample) { out[ch] = append(out[ch], s...) })
		}
		for c, s := range out {
			if len(s) != len(tr.T) {
				t.Fatalf("%s: %d samples of %d rows", name, len(s), len(tr.T))
			}
			for k := range s {
				v := tr.Columns[c].Values[k]
				if s[k].T != tr.T[k] || s[k].V != v && !(math.IsNaN(v) && s[k].Q&daq.Missing != 0) {
					t.Fatalf("%s: %s row %d: %+v, want %d, %g", name, tr.Columns[c].Name, k, s[k], tr.T[k], v)
				}
				if s[k].Q&daq.Unsettled != 0 {
					t.Fatalf("%s: row %d is unsettled", name, k)
				}
			}
		}
	}
}

// A gap in time is lost rows on the batch after it, and nothing else is.
func TestBatchesTellGaps(t *testing.T) {
	tr := read(t, "runaway-jitter-gap.csv", Options{})
	var lost []uint32
	for b := range tr.Batches(1000) {
		lost = append(lost, b.Lost)
	}
	// The file leaves out 2.0 s at 20 Hz: 40 rows.
	if len(lost) != 2 || lost[0] != 0 || lost[1] < 39 || lost[1] > 41 {
		t.Errorf("lost %v, want 0 and 40", lost)
	}
	one, err := Read(strings.NewReader("t_s,x\n5,1\n"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if bs := slices.Collect(one.Batches(0)); one.RateHz != 0 || len(bs) != 1 || bs[0].K != 1 || !slices.Equal(bs[0].Times, []int64{5e9}) {
		t.Errorf("one row gives %v at %g Hz", bs, one.RateHz)
	}
	if d := one.Instruments()[0]; d.Name != Protocol || d.Columns != 1 {
		t.Errorf("a trace without a name is %+v", d)
	}
}

func TestChannelsCarryWhatIsKnown(t *testing.T) {
	tr := read(t, "burst.csv", Options{})
	ch := tr.Channels()[1]
	if ch.Name != "p2" || ch.Role != daq.RoleSpecimen || ch.Reference != daq.Gauge || ch.Column != 1 || !ch.Floats || ch.Certificate != "" || math.Abs(ch.Step-100) > 1e-9 {
		t.Errorf("%+v", ch)
	}
}
