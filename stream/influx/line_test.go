package influx

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

var channels = []Series{
	{Channel: "p1", Quantity: daq.Pressure, Reference: daq.Gauge},
	{Channel: "barometer", Quantity: daq.Pressure, Reference: daq.Absolute},
	{Channel: "skin, left", Quantity: daq.Temperature},
	{Channel: "cell", Quantity: daq.Voltage},
	{Channel: "heater", Quantity: daq.Current},
	{Channel: "clamp", Quantity: daq.Force},
	{Channel: "shield", Quantity: daq.Digital},
	{Channel: "count", Quantity: daq.Number},
}

func encode(t testing.TB, e *encoder, b *Batch) string {
	t.Helper()
	l, err := e.batch(b)
	if err != nil {
		t.Fatal(err)
	}
	return string(l.text)
}

// TestLines holds the schema of the package comment against what is written.
// The escapes are those of the published line protocol: blanks, commas and
// equals signs in names get a backslash, quotes and backslashes in strings.
func TestLines(t *testing.T) {
	const at = 1764060000123456789
	nan := math.NaN()
	for _, c := range []struct {
		name string
		p    Point
		want string
	}{
		{"gauge", Point{0, at, 1.85e6, 0}, "pressure,bench=Kiln\\ 2,channel=p1 gauge_Pa=1.85e+06 1764060000123456789\n"},
		{"absolute", Point{1, at, 101325, 0}, "pressure,bench=Kiln\\ 2,channel=barometer absolute_Pa=101325 1764060000123456789\n"},
		{"temperature", Point{2, at, -3.5, 0}, "temperature,bench=Kiln\\ 2,channel=skin\\,\\ left value_C=-3.5 1764060000123456789\n"},
		{"voltage", Point{3, at, 3.7, 0}, "voltage,bench=Kiln\\ 2,channel=cell value_V=3.7 1764060000123456789\n"},
		{"current", Point{4, at, 0, 0}, "current,bench=Kiln\\ 2,channel=heater value_A=0 1764060000123456789\n"},
		{"force", Point{5, at, 1e3, 0}, "force,bench=Kiln\\ 2,channel=clamp value_N=1000 1764060000123456789\n"},
		{"digital", Point{6, at, 1, 0}, "digital,bench=Kiln\\ 2,channel=shield value=1 1764060000123456789\n"},
		{"number", Point{7, at, 7, 0}, "number,bench=Kiln\\ 2,channel=count value=7 1764060000123456789\n"},
		{"flagged", Point{0, at, 6e6, daq.Saturated | daq.Gap}, "pressure,bench=Kiln\\ 2,channel=p1 gauge_Pa=6e+06,quality=130i 1764060000123456789\n"},
		{"missing", Point{0, at, nan, daq.Missing}, "pressure,bench=Kiln\\ 2,channel=p1 quality=1i 1764060000123456789\n"},
		{"infinite", Point{0, at, math.Inf(1), daq.Rail}, "pressure,bench=Kiln\\ 2,channel=p1 quality=16i 1764060000123456789\n"},
		{"nothing", Point{0, at, nan, 0}, ""},
	} {
		if got := encode(t, newEncoder("Kiln 2"), &Batch{Series: channels, Points: []Point{c.p}}); got != c.want {
			t.Errorf("%s:\n got %q\nwant %q", c.name, got, c.want)
		}
	}
}

func TestMarks(t *testing.T) {
	p, u := 18.42e5, int64(200_000)
	place := Place{Run: "R1", EpochUTC: 1000, Channels: []daq.Channel{{Name: "p1"}}}
	e := EventMark(place, detect.Event{ID: 3, Rev: 2, Kind: detect.VentOpening, Feature: "top vent", Decided: 500, Onset: 400, OnsetU: &u, PressurePa: &p,
		Flags: []detect.Flag{detect.FlagGap, detect.FlagUncalibrated}})
	a := AlarmMark(place, guard.Alarm{ID: 4, Rule: "Opening", Priority: guard.Medium, State: guard.Unacknowledged, Changed: 600, Value: 1, Message: "say \"when\"\nnow"})
	r := RunMark(place, Run{Kind: "run", Specimen: "B-0412", Lot: "L7", Shot: 5, State: "closed", Start: 50, End: 900})
	got := encode(t, newEncoder("K"), &Batch{Marks: []Mark{e, a, r, {Measurement: "run", T: 1}}})
	want := "event,bench=K,channel=p1 run=\"R1\",id=3i,rev=2i,kind=\"vent-opening\",feature=\"top vent\",onset_ns=1400i,pressure_Pa=1.842e+06,flags=\"gap uncalibrated\",onset_u_ns=200000i 1503\n" +
		"alarm,bench=K,channel=p1 run=\"R1\",id=4i,rule=\"Opening\",priority=\"medium\",state=\"unacknowledged\",value=1,message=\"say \\\"when\\\"\\nnow\" 1604\n" +
		"run,bench=K run=\"R1\",kind=\"run\",specimen=\"B-0412\",lot=\"L7\",shot=5i,state=\"closed\",end_ns=1900i 1050\n" +
		"run,bench=K empty=true 1\n"
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// TestStamps feeds stamps that stand still and run back, over several batches:
// what comes out increases strictly along each channel, nothing is lost, and
// the same batch encoded again from the same state is the same text.
func TestStamps(t *testing.T) {
	const seed = 7
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	e := newEncoder("K")
	newest := map[string]int64{}
	sent, got, now := 0, 0, int64(1e18)
	for range 50 {
		b := Batch{Series: channels[:3]}
		for range rng.IntN(40) {
			now += rng.Int64N(5) - 1
			b.Points = append(b.Points, Point{Series: rng.IntN(3), T: now, V: rng.Float64()})
		}
		sent += len(b.Points)
		before := map[string]int64{}
		for k, v := range e.last {
			before[k] = v
		}
		text := encode(t, e, &b)
		got += increasing(t, text, newest)
		again := newEncoder("K")
		again.last = before
		if encode(t, again, &b) != text {
			t.Fatal("the same batch from the same state gave other lines")
		}
	}
	if got != sent || sent == 0 {
		t.Errorf("%d points in, %d lines out", sent, got)
	}
}

// increasing reads lines with the decoder of the line-protocol library and
// returns how many there are.
func increasing(t *testing.T, text string, newest map[string]int64) int {
	t.Helper()
	n := 0
	d := lineprotocol.NewDecoderWithBytes([]byte(text))
	for d.Next() {
		if _, err := d.Measurement(); err != nil {
			t.Fatal(err)
		}
		channel := ""
		for {
			k, v, err := d.NextTag()
			if err != nil {
				t.Fatal(err)
			}
			if k == nil {
				break
			}
			if string(k) == "channel" {
				channel = string(v)
			}
		}
		for {
			k, v, err := d.NextField()
			if err != nil {
				t.Fatal(err)
			}
			if k == nil {
				break
			}
			if v.Kind() == lineprotocol.Uint {
				t.Errorf("field %s is unsigned", k)
			}
		}
		at, err := d.Time(lineprotocol.Nanosecond, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		if ns := at.UnixNano(); ns <= newest[channel] {
			t.Errorf("%s: stamp %d after %d", channel, ns, newest[channel])
		} else {
			newest[channel] = ns
		}
		n++
	}
	return n
}

// TestBadInput gives what a source must not give, and names that line protocol
// can't carry.
func TestBadInput(t *testing.T) {
	e := newEncoder("K")
	for _, b := range []Batch{
		{Series: []Series{{Channel: "p1", Quantity: daq.Pressure}}},
		{Series: []Series{{Channel: "", Quantity: daq.Voltage}}},
		{Series: []Series{{Channel: "x", Quantity: "luck"}}},
		{Series: channels, Points: []Point{{Series: 99}}},
	} {
		if _, err := e.batch(&b); err == nil || !strings.Contains(err.Error(), "report this") {
			t.Errorf("%+v: got %v", b, err)
		}
	}
	var refused []string
	e.bad = func(line, reason string) error { refused = append(refused, line+": "+reason); return nil }
	b := Batch{Series: []Series{{Channel: "bad\nname", Quantity: daq.Voltage}, channels[3]}, Points: []Point{{0, 1, 1, 0}, {1, 2, 2, 0}, {0, 3, 3, 0}}}
	l, err := e.batch(&b)
	if err != nil || l.len()+len(refused) != 3 {
		t.Fatalf("%d lines, %d refused, %v", l.len(), len(refused), err)
	}
	if text := string(l.text); strings.Count(text, "\n") != l.len() || !strings.Contains(text, "channel=cell value_V=2 2\n") {
		t.Errorf("the good line is damaged: %q", text)
	}
	for i := range l.len() {
		if p := string(l.part(i, i+1)); strings.Count(p, "\n") != 1 || !strings.HasSuffix(p, "\n") {
			t.Errorf("line %d is %q", i, p)
		}
	}
}

func TestFieldValue(t *testing.T) {
	f := 2.5
	for _, c := range []struct {
		in   any
		want string
		ok   bool
	}{
		{2.5, "2.5", true}, {&f, "2.5", true}, {(*float64)(nil), "", false}, {math.NaN(), "", false}, {math.Inf(-1), "", false},
		{int64(-3), "-3i", true}, {4, "4i", true}, {uint64(math.MaxUint64), "9223372036854775807i", true}, {true, "true", true}, {"", "", false}, {"a", `"a"`, true}, {nil, "", false},
	} {
		v, ok := fieldValue(c.in)
		if ok != c.ok || (ok && string(v.AppendBytes(nil)) != c.want) {
			t.Errorf("%v: got %s, %v", c.in, v, ok)
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	batch := Batch{Series: channels[:1]}
	for i := range 5000 {
		batch.Points = append(batch.Points, Point{T: 1764060000000000000 + int64(i)*100_000, V: 1e5 + float64(i)*1.7})
	}
	e := newEncoder("Kiln 2")
	b.ReportAllocs()
	for b.Loop() {
		clear(e.last)
		if _, err := e.batch(&batch); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/5000, "ns/point")
}
