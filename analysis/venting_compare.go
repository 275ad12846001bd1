package analysis

import (
	"fmt"
	"strings"
)

// A VentingOption is one change that a designer could make. What is zero stays
// as it is in the case.
type VentingOption struct {
	Name          string
	TopOpeningPa  float64 // mean opening pressure of the top vent, gauge
	TopAreaM2     float64
	CoreDiameterM float64 // kept open for the gas; needs a cell in slices
	WallFactor    float64 // thickness of the can over that of the case: the strength follows it in proportion (thin wall); the crimp may be the weaker
	Bottom        *Vent   // adds, or replaces, the bottom vent
	NoBottom      bool    // leaves it out
}

// apply returns the case with the change made.
func (o *VentingOption) apply(c VentingCase) VentingCase {
	if o.TopOpeningPa > 0 {
		c.Top.Opening.MeanPa = o.TopOpeningPa
	}
	if o.TopAreaM2 > 0 {
		c.Top.AreaM2 = o.TopAreaM2
	}
	if o.CoreDiameterM > 0 {
		c.Inside.CoreDiameterM = o.CoreDiameterM
	}
	if o.WallFactor > 0 {
		c.Housing.Cold.MeanPa *= o.WallFactor
		c.Housing.Cold.SDPa *= o.WallFactor
	}
	switch {
	case o.Bottom != nil:
		c.Bottom = o.Bottom
	case o.NoBottom:
		c.Bottom = nil
	}
	return c
}

// VentingRow is one line of the comparison.
type VentingRow struct {
	Name      string
	Options   []string // names of the options in it; none: as it is
	Result    VentingResult
	LeastOpen float64 // of the top vent
	Suffices  bool    // false: not even wide open
	Breach    *Breach // nil: not asked for
}

// mostOptions bounds the list: pairs of 8 are 28 rows.
const mostOptions = 8

// Compare puts the case, each option, each pair of options and all together
// side by side. With trials > 0 each row has its simulated breaches, all from
// the same seed: the rows share their draws, so that they differ by the design
// and not by chance. seed starts a chance anew.
func (c *VentingCase) Compare(options []VentingOption, s VentingSpread, trials int, confidence float64, seed func() Chance) ([]VentingRow, error) {
	if len(options) == 0 || len(options) > mostOptions {
		return nil, fmt.Errorf("%d options: give from 1 to %d", len(options), mostOptions)
	}
	for _, o := range options {
		if o.CoreDiameterM > 0 && c.Inside.Slices < 2 {
			return nil, fmt.Errorf("option %q opens the core, which a well-mixed cell does not have: cut the cell into slices", o.Name)
		}
	}
	var rows []VentingRow
	for _, set := range sets(len(options)) {
		d := *c
		row := VentingRow{Name: "as it is"}
		for _, i := range set {
			d = options[i].apply(d)
			row.Options = append(row.Options, options[i].Name)
		}
		if len(set) > 0 {
			row.Name = strings.Join(row.Options, " + ")
		}
		if err := row.fill(&d, s, trials, confidence, seed); err != nil {
			return nil, fmt.Errorf("%s: %w", row.Name, err)
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// Row is the case as one line of the comparison.
func (c *VentingCase) Row(name string, s VentingSpread, trials int, confidence float64, seed func() Chance) (VentingRow, error) {
	r := VentingRow{Name: name}
	err := r.fill(c, s, trials, confidence, seed)
	return r, err
}

func (r *VentingRow) fill(d *VentingCase, s VentingSpread, trials int, confidence float64, seed func() Chance) (err error) {
	if r.Result, err = d.Simulate(); err != nil {
		return err
	}
	if r.LeastOpen, r.Suffices, err = d.LeastOpen(); err != nil {
		return err
	}
	if trials > 0 {
		b, err := d.Breach(s, trials, confidence, seed())
		if err != nil {
			return err
		}
		r.Breach = &b
	}
	return nil
}

// sets lists none, each, each pair and all of n.
func sets(n int) [][]int {
	out := [][]int{nil}
	for i := range n {
		out = append(out, []int{i})
	}
	if n == 1 {
		return out
	}
	for i := range n {
		for j := i + 1; j < n; j++ {
			out = append(out, []int{i, j})
		}
	}
	if n > 2 {
		all := make([]int, n)
		for i := range all {
			all[i] = i
		}
		out = append(out, all)
	}
	return out
}
