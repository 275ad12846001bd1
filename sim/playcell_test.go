package sim

import (
	"math"
	"testing"
)

// TestPlayCell plays each case at low rates: cells that fail do so in order,
// nuisances don't, and what has left the cell is in the vessel.
func TestPlayCell(t *testing.T) {
	for _, k := range CellScenarios() {
		const seed = 3
		tr, err := PlayCell(CellScenario{Kind: k.Name, Seed: seed, Rate: 100})
		if err != nil {
			t.Fatal(err)
		}
		at := map[string]float64{}
		for _, x := range tr.Truth {
			at[x.Event] = float64(x.OnsetNS) * 1e-9
		}
		vent, ran := at["first-venting"] > 0 || at["breach"] > 0, at["runaway"] > 0
		if k.Nuisance && (vent || k.Name != "fast-heater" && k.Name != "fast-heater-glitch" && ran) {
			t.Errorf("%s seed %d: truth %v", k.Name, seed, at)
		}
		if !k.Nuisance && (!vent || ran == (k.Name == "vent-only") || ran && k.Name == "runaway" && at["first-venting"] > at["runaway"]) {
			t.Errorf("%s seed %d: truth %v", k.Name, seed, at)
		}
		for i := range tr.Series {
			s := &tr.Series[i]
			if len(s.T) != len(s.V) || len(s.T) != len(s.Clean) || math.Abs(float64(len(s.T))-float64(tr.Span)*1e-9*s.RateHz) > 3 {
				t.Errorf("%s: %s has %d times, %d values in %g s", k.Name, s.Channel.Name, len(s.T), len(s.V), float64(tr.Span)*1e-9)
			}
		}
		if k.Name == "runaway" {
			end := func(i int) float64 { s := tr.Series[i].Clean; return s[len(s)-1] }
			// p V = n R T with the stated volume, good to its uncertainty
			n := tr.Fixture.VolumeM3 / 8.314462618 * (end(0)/(end(2)+273.15) - tr.Series[0].Clean[0]/(tr.Series[2].Clean[0]+273.15))
			if math.Abs(n/tr.Results.GasMol-1) > 0.05 {
				t.Errorf("%g mol in the vessel, %g left the cell", n, tr.Results.GasMol)
			}
		}
	}
	for _, sc := range []CellScenario{{Kind: "nothing like it", Rate: 100}, {Kind: "runaway", Rate: 1}, {Kind: "runaway", Rate: 100, Slow: 200}} {
		if _, err := PlayCell(sc); err == nil {
			t.Errorf("%+v is played", sc)
		}
	}
}
