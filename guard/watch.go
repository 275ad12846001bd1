package guard

import (
	"fmt"

	"ventward/daq"
)

// Watch lists what the pressure watch waits for. All met means that the watch
// may end, never that approach is granted: a zero on the screen is no proof of
// zero pressure, and a person decides.
func (g *Guard) Watch() []Check {
	var out []Check
	add := func(name string, ok bool, why, cure string) *Check {
		c := Check{Name: name, OK: ok, Required: g.o.WatchBinds}
		if !ok {
			c.Why, c.Cure = why, cure
		}
		out = append(out, c)
		return &out[len(out)-1]
	}
	if g.o.SafeS > 0 {
		for _, ch := range g.specimens {
			c, low := &g.o.Channels[ch], g.s.Low[ch]
			held := low != 0 && g.s.Now-g.s.Seen[ch] <= g.freshNS && g.s.Seen[ch]-low >= seconds(g.o.SafeS)
			k := add("pressure of "+c.Name, held, fmt.Sprintf("%s was not within %.3g bar of ambient for %.3g s", c.Name, g.safePa/1e5, g.o.SafeS),
				"vent, and read the local gauge")
			if !held && low != 0 {
				k.LeftS = left(low, g.o.SafeS, g.s.Now)
			}
		}
	}
	if g.o.WatchMaxC > 0 {
		for i := range g.o.Channels {
			c, x := &g.o.Channels[i], g.s.Newest[i]
			if c.Role != daq.RoleSkin && c.Role != daq.RoleGas {
				continue
			}
			cool := g.sound(i) && x.V <= g.o.WatchMaxC
			add("temperature of "+c.Name, cool, fmt.Sprintf("%s is not known to be at or below %.3g °C", c.Name, g.o.WatchMaxC), "wait until it has cooled")
		}
	}
	if g.o.WatchWaitS > 0 {
		waited := g.s.Phase == PressureWatch && g.s.Now-g.s.PhaseAt >= seconds(g.o.WatchWaitS)
		k := add("waiting time", waited, fmt.Sprintf("the watch has not lasted %.4g min", g.o.WatchWaitS/60), "wait")
		if !waited && g.s.Phase == PressureWatch {
			k.LeftS = left(g.s.PhaseAt, g.o.WatchWaitS, g.s.Now)
		}
	}
	for i := range g.o.Rules {
		if r := &g.o.Rules[i]; r.EndsWatch {
			add(r.Name, !g.s.Holds[i], "the condition of "+r.Name+" stands", orText(r.Text, "wait until it is gone"))
		}
	}
	return out
}

// left is what is missing of a time s that began at bench time from, s.
func left(from int64, s float64, now int64) float64 {
	return max(0, s-float64(now-from)*1e-9)
}

func orText(s, def string) string {
	if s != "" {
		return s
	}
	return def
}
