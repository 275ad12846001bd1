package detect

import (
	"bytes"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"

	"ventward/daq"
)

// A scenario is a named case of testdata/cases: how the trace is made, and what
// must be told of it. What a file leaves out is the demo's bench: 10 kHz, 30
// mbar of noise, a ramp of 1 bar/s from 15 bar gauge.
type scenario struct {
	What    string  `toml:"what"`
	Seed    uint64  `toml:"seed"`
	RateHz  float64 `toml:"rate_Hz"`
	LengthS float64 `toml:"length_s"`
	Medium  Medium  `toml:"medium"`
	LagMs   float64 `toml:"lag_ms"`
	Pump    float64 `toml:"pump_mbar"`
	PumpHz  float64 `toml:"pump_Hz"`
	Hum     float64 `toml:"hum_mbar"`
	HumHz   float64 `toml:"hum_Hz"`
	Ring    float64 `toml:"ring_mbar"`
	RingHz  float64 `toml:"ring_Hz"`
	Ramp    []struct {
		FromS float64 `toml:"from_s"`
		BarS  float64 `toml:"bar_s"`
		TauS  float64 `toml:"tau_s"` // dies away; 0: stays
	} `toml:"ramp"`
	Step []struct {
		AtS   float64 `toml:"at_s"`
		Bar   float64 `toml:"bar"`
		TauMs float64 `toml:"tau_ms"`
	} `toml:"step"`
	Opening []struct {
		AtS      float64 `toml:"at_s"`
		WidthMs  float64 `toml:"width_ms"`
		Outflow  float64 `toml:"outflow_per_s"`
		ResealsS float64 `toml:"reseals_s"`
	} `toml:"opening"`
	Damage []damage `toml:"damage"`
	Input  []struct {
		Role daq.Role `toml:"role"`
		AtS  float64  `toml:"at_s"`
		To   float64  `toml:"to"`
	} `toml:"input"`
	Expect []expectation `toml:"expect"`
}

// A damage is what sensor, wire or recorder do to the samples.
type damage struct {
	Is      string  `toml:"is"` // spike, rail, frozen, missing, shock
	FromS   float64 `toml:"from_s"`
	ToS     float64 `toml:"to_s"`
	Samples int     `toml:"samples"` // of a spike
	EveryS  float64 `toml:"every_s"` // a spike comes again; 0: once
	Mbar    float64 `toml:"mbar"`
	TauS    float64 `toml:"tau_s"`
	held    float64
	holds   bool
}

// An expectation is an event that must be told. No other opening may be.
type expectation struct {
	Kind     Kind    `toml:"kind"`
	Or       Kind    `toml:"or"` // also right: what the trace can't decide
	Fault    Fault   `toml:"fault"`
	AtS      float64 `toml:"at_s"`
	WithinMs float64 `toml:"within_ms"` // an opening must be decided by then
}

// Every case that a threshold on the derivative gets wrong, by its name.
func TestScenarios(t *testing.T) {
	files, err := filepath.Glob("../testdata/cases/*.toml")
	if err != nil || len(files) < 20 {
		t.Fatalf("%d files of testdata/cases, want the twenty cases: %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".toml"), func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			var c scenario
			d := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields()
			if err := d.Decode(&c); err != nil {
				t.Fatal(err)
			}
			got := c.play(t)
			t.Logf("seed %d: %s\nexpected %s\ngot      %s", c.Seed, c.What, c.told(), kinds(got))
			c.judge(t, got)
		})
	}
}

// scene makes the trace's scene.
func (c *scenario) scene() scene {
	s := bar(c.LengthS)
	if c.RateHz > 0 {
		s.rate = c.RateHz
	}
	if c.LagMs > 0 {
		s.lag = c.LagMs * 1e-3
	}
	s.pump, s.pumpHz, s.hum, s.humHz = c.Pump*100, c.PumpHz, c.Hum*100, c.HumHz
	s.ring, s.ringHz, s.ringTau = c.Ring*100, c.RingHz, 5e-3
	if len(c.Ramp) > 0 {
		s.ramp = c.ramp
	}
	if len(c.Step) > 0 {
		s.step = c.step
	}
	for _, o := range c.Opening {
		s.openings = append(s.openings, opening{t: o.AtS, width: o.WidthMs * 1e-3, k: o.Outflow, shut: o.ResealsS})
	}
	s.post = func(_ int, now, v float64, _ *rand.Rand) (float64, bool) {
		ok := true
		for i := range c.Damage {
			if v, ok = c.Damage[i].do(now, v, s.rate); !ok {
				break
			}
		}
		return v, ok
	}
	return s
}

func (c *scenario) ramp(now float64) (paS float64) {
	for _, r := range c.Ramp {
		if now < r.FromS {
			break
		}
		paS = r.BarS * 1e5
		if r.TauS > 0 {
			paS *= math.Exp(-(now - r.FromS) / r.TauS)
		}
	}
	return paS
}

func (c *scenario) step(now float64) (pa float64) {
	for _, s := range c.Step {
		if now > s.AtS {
			pa -= s.Bar * 1e5 * math.Expm1(-(now-s.AtS)/(s.TauMs*1e-3))
		}
	}
	return pa
}

// do damages one sample; false: it is lost.
func (d *damage) do(now, v, rate float64) (float64, bool) {
	x := now - d.FromS + 1e-9
	if x < 0 || d.ToS > 0 && now >= d.ToS {
		return v, true
	}
	switch d.Is {
	case "spike":
		if d.EveryS > 0 {
			x = math.Mod(x, d.EveryS)
		}
		if int(x*rate) < d.Samples {
			v += d.Mbar * 100
		}
	case "rail":
		v = ambientPa + d.Mbar*100
	case "frozen":
		if !d.holds {
			d.held, d.holds = v, true
		}
		v = d.held
	case "missing":
		return v, false
	case "shock":
		v += d.Mbar * 100 * math.Expm1(-x/0.1) * math.Exp(-x/d.TauS)
	}
	return v, true
}

// play makes the trace and runs the monitor over it.
func (c *scenario) play(t *testing.T) []Event {
	s := c.scene()
	r := rand.New(rand.NewPCG(c.Seed, 1))
	o := benchOf(&s)
	if c.Medium != "" {
		o.Medium = c.Medium
	}
	smp := [][]daq.Sample{s.samples(r)}
	for _, in := range c.Input {
		o.Channels = append(o.Channels, daq.Channel{Name: string(in.Role), Role: in.Role, Quantity: daq.Digital})
		o.RateHz = append(o.RateHz, s.rate)
		smp = append(smp, digital(s.rate, s.length, func(now float64) bool { return now >= in.AtS == (in.To > 0) }))
	}
	return feed(t, o, smp, 5e6, 0)
}

// is tells whether the event is the expected one: its onset may lie off by what
// the expectation grants, 20 ms at least.
func (x *expectation) is(e *Event) bool {
	return (e.Kind == x.Kind || x.Or != "" && e.Kind == x.Or) && (x.Fault == "" || e.Fault == x.Fault) &&
		math.Abs(seconds(e.Onset)-x.AtS) <= max(20, x.WithinMs)*1e-3
}

// judge compares what was told with what was expected.
func (c *scenario) judge(t *testing.T, got []Event) {
	used := map[int]bool{}
	for i := range c.Expect {
		x := &c.Expect[i]
		var hit *Event
		for k := range got {
			if !used[got[k].ID] && x.is(&got[k]) {
				hit = &got[k]
				break
			}
		}
		if hit == nil {
			t.Errorf("no %s %s at %g s", x.Kind, x.Fault, x.AtS)
			continue
		}
		used[hit.ID] = true
		if late := (seconds(hit.Decided) - x.AtS) * 1e3; hit.Opens() && (late < 0 || late > x.WithinMs) {
			t.Errorf("opening at %g s decided %g ms after it, want within %g ms", x.AtS, late, x.WithinMs)
		}
	}
	for k := range got {
		if e := &got[k]; e.Opens() && !used[e.ID] {
			t.Errorf("%s at %.4f s that nobody expects", e.Kind, seconds(e.Onset))
		}
	}
}

// told lists what is expected.
func (c *scenario) told() string {
	var ev []Event
	for _, x := range c.Expect {
		ev = append(ev, Event{Kind: x.Kind, Fault: x.Fault, Decided: int64(x.AtS * 1e9)})
	}
	return kinds(ev)
}
