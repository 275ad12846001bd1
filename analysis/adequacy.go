package analysis

import "fmt"

// adequacySteps are the open fractions over which Adequacy looks, less one.
const adequacySteps = 20

// Adequacy is whether a cell's vents suffice for a runaway: the case as it is,
// the case without a bottom vent, and both over the open fraction of the top
// vent. Estimate only.
type Adequacy struct {
	Case    *VentingCase
	Rows    []VentingRow // as it is; then, where the case has a bottom vent, without it
	Sweeps  []Sweep      // one a row
	Options []VentingRow // of a comparison, as Compare gives them; may be empty
}

// A Sweep is the nominal peak over the open fraction of the top vent.
type Sweep struct {
	Open   []float64 // from 0 to 1
	PeakPa []float64 // gauge, as if the housing held
}

// Adequacy simulates the case as it is and without its bottom vent. With trials
// > 0 each has its simulated breaches, from the same draws.
func (c *VentingCase) Adequacy(s VentingSpread, trials int, confidence float64, seed func() Chance) (Adequacy, error) {
	out := Adequacy{Case: c}
	designs := []VentingOption{{Name: AsItIs}}
	if c.Bottom != nil {
		designs = append(designs, VentingOption{Name: NoBottomVent, NoBottom: true})
	}
	for i := range designs {
		d := designs[i].apply(*c)
		row, err := d.Row(designs[i].Name, s, trials, confidence, seed)
		if err != nil {
			return out, fmt.Errorf("%s: %w", designs[i].Name, err)
		}
		sweep, err := d.sweep()
		if err != nil {
			return out, fmt.Errorf("%s: %w", designs[i].Name, err)
		}
		out.Rows, out.Sweeps = append(out.Rows, row), append(out.Sweeps, sweep)
	}
	return out, nil
}

// sweep opens the top vent from plugged to wide.
func (c *VentingCase) sweep() (Sweep, error) {
	var s Sweep
	d := *c
	d.TailS = 0
	for i := range adequacySteps + 1 {
		d.Top.OpenFraction = float64(i) / adequacySteps
		r, err := d.simulate(venting{relTol: 1e-4})
		if err != nil {
			return s, fmt.Errorf("top vent %.0f %% open: %w", 100*d.Top.OpenFraction, err)
		}
		s.Open, s.PeakPa = append(s.Open, d.Top.OpenFraction), append(s.PeakPa, r.PeakPa)
	}
	return s, nil
}
