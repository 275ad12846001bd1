package guard

import (
	"strings"
	"testing"

	"ventward/daq"
)

// A damaged snapshot is refused or taken, but never brings the guard down, and
// a refused one leaves the guard as it was. (Fuzz with -fuzzminimizetime 10x: a
// snapshot is long, and shortening one takes the minute otherwise.)
func FuzzRestore(f *testing.F) {
	g, err := New(lifeBench())
	if err != nil {
		f.Fatal(err)
	}
	whole := string(g.Snapshot())
	f.Add([]byte(whole))
	f.Add([]byte(strings.Replace(whole, `"alarms":[`, `"alarms":[{},`, 1)))
	f.Add([]byte(strings.Replace(whole, `"phase":"at rest"`, `"phase":"safe"`, 1)))
	f.Add([]byte(strings.Replace(whole, `"state":"normal"`, `"state":"odd"`, 1)))
	f.Add([]byte(strings.ReplaceAll(whole, `0`, `-9`)))
	f.Add([]byte(`{}`))
	f.Add([]byte(`{"phase":null,"conds":[],"notices":null}`))
	f.Add([]byte(whole[:len(whole)/2]))
	f.Fuzz(func(t *testing.T, snapshot []byte) {
		g := must(t, lifeBench())
		before := string(g.Snapshot())
		if err := g.Restore(snapshot); err != nil {
			if string(g.Snapshot()) != before {
				t.Fatalf("refused (%v), and yet it changed the guard", err)
			}
			return
		}
		now := int64(20e9)
		for range 20 {
			now += 10 * ms
			for ch := range 5 {
				g.Sample(daq.ChannelID(ch), []daq.Sample{{T: now, V: 1e5}}, now)
			}
			g.Tick(now)
			g.Take()
		}
		g.Command(daq.Command{Verb: "reset"}, now)
		g.Guards()
		g.Watch()
		g.Held()
		g.Rules()
		g.Load()
		if len(snapshot) > 0 && len(g.Snapshot()) == 0 {
			t.Fatal("a restored guard has no snapshot")
		}
	})
}

// No command brings the guard down or turns an output on by itself.
func FuzzCommand(f *testing.F) {
	for _, c := range []string{"arm", "acknowledge id 1", "acknowledge id -1", "shelve rule warm for_s 5 reason r", "shelve id 1 for_s 1e300 reason r",
		"bypass rule high for_s 1e-300 reason r", "bypass rule high for_s Inf reason r", "notice what space ok true value 1e400", "exercise output dump",
		"arm date 2026-11-25 who1 a who2 b", "arm date 9999-99-99", "end override x", "reset rule odd", "out-of-service id 0 reason r", "nonsense at remote"} {
		f.Add(c)
	}
	f.Fuzz(func(t *testing.T, text string) {
		g := must(t, lifeBench())
		now := int64(10e9)
		g.Tick(now)
		w := strings.Fields(text)
		if len(w) == 0 {
			return
		}
		c := daq.Command{Verb: w[0], Args: map[string]string{}}
		for i := 1; i+1 < len(w); i += 2 {
			c.Args[w[i]] = w[i+1]
		}
		g.Command(c, now)
		if g.s.Outputs[0].Want {
			t.Fatal("the supply is on")
		}
		now += 1e9
		g.Tick(now)
		if len(g.Snapshot()) == 0 {
			t.Fatal("no snapshot")
		}
	})
}
