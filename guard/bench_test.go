package guard

import (
	"fmt"
	"testing"

	"ventward/daq"
)

// The full bench of the latency measure: 64 channels at 10 kHz, 200 rules on
// samples, of which each trips the supply.
const (
	fullChannels = 64
	fullRules    = 200
	fullHz       = 10e3
)

func fullBench() Options {
	o := Options{Outputs: []daq.Output{{Name: "supply", Role: daq.RoleSupplyValve}}}
	for i := range fullChannels {
		o.Channels = append(o.Channels, pressure(fmt.Sprintf("p%d", i)))
	}
	for i := range fullRules {
		ch := daq.ChannelID(i % fullChannels)
		next := daq.ChannelID((i + 1) % fullChannels)
		r := Rule{Name: fmt.Sprintf("rule %d", i), Limit: 50e5, Deadband: 1e5, DelayOnS: 0.001, Priority: High, Trip: []int{0}, Channels: []daq.ChannelID{ch}}
		switch i % 10 {
		case 0, 1, 2, 3, 4:
			r.Kind = LimitHigh
		case 5:
			r.Kind, r.Limit = LimitLow, -1e5
		case 6:
			r.Kind = Faulty
		case 7:
			r.Kind, r.WindowS = Rate, 0.1
		case 8:
			r.Kind, r.Channels = Deviation, []daq.ChannelID{ch, next}
		case 9:
			r.Kind, r.Channels, r.Vote = LimitHigh, []daq.ChannelID{ch, next}, OneOfTwo
		}
		o.Rules = append(o.Rules, r)
	}
	return o
}

// unremarkable are k samples at 10 kHz that begin at now.
func unremarkable(now int64, k int) []daq.Sample {
	s := make([]daq.Sample, k)
	for i := range s {
		s[i] = daq.Sample{T: now + int64(i)*1e5, V: 20e5 + float64(i%7)*100, Raw: float64(i)}
	}
	return s
}

// BenchmarkSample is one batch of 50 unremarkable samples of one channel, by the
// number of limit rules on it.
func BenchmarkSample(b *testing.B) {
	for _, rules := range []int{0, 1, 4, 16} {
		b.Run(fmt.Sprintf("%d limits", rules), func(b *testing.B) {
			o := Options{Channels: []daq.Channel{{Name: "t", Quantity: daq.Temperature}}}
			for i := range rules {
				o.Rules = append(o.Rules, Rule{Name: fmt.Sprint(i), Kind: LimitHigh, Channels: []daq.ChannelID{0}, Limit: 50e5, Priority: Low})
			}
			g, err := New(o)
			if err != nil {
				b.Fatal(err)
			}
			s := unremarkable(10e9, 50)
			b.ReportAllocs()
			for b.Loop() {
				g.Sample(0, s, s[49].T)
				g.Take()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/50, "ns/sample")
		})
	}
}

// BenchmarkFullBench is 5 ms of the full bench: 64 batches of 50 samples, 200
// rules, and a tick. load is the part of a core that it takes at 10 kHz.
func BenchmarkFullBench(b *testing.B) {
	g, err := New(fullBench())
	if err != nil {
		b.Fatal(err)
	}
	s := unremarkable(10e9, 50)
	now := int64(10e9)
	b.ReportAllocs()
	for b.Loop() {
		for i := range s {
			s[i].T = now + int64(i)*1e5
		}
		now += 5 * ms
		for ch := range fullChannels {
			g.Sample(daq.ChannelID(ch), s, now)
		}
		g.Tick(now)
		g.Take()
	}
	perSample := float64(b.Elapsed().Nanoseconds()) / float64(b.N) / (50 * fullChannels)
	b.ReportMetric(perSample, "ns/sample")
	b.ReportMetric(perSample*fullHz*fullChannels*1e-9, "load")
}

// Nothing remarkable, nothing allocated: neither by samples nor by ticks.
func TestNoAllocation(t *testing.T) {
	g := must(t, fullBench())
	s := unremarkable(10e9, 50)
	now := int64(10e9)
	turn := func() {
		for i := range s {
			s[i].T = now + int64(i)*1e5
		}
		now += 5 * ms
		for ch := range fullChannels {
			g.Sample(daq.ChannelID(ch), s, now)
		}
		g.Tick(now)
		g.Take()
	}
	turn()
	g.Readback(daq.Readback{Output: 0, State: daq.OutputOff, Serial: g.s.Outputs[0].Serial}, now)
	if n := testing.AllocsPerRun(100, turn); n != 0 {
		t.Fatalf("%v allocations in 5 ms of the full bench", n)
	}
	if as := g.Alarms(); len(as) != 0 {
		t.Fatalf("the full bench is not unremarkable: %+v", as)
	}
}
