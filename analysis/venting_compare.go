package analysis

import (
	"fmt"
	"strings"
)

// Names of the designs that every comparison has.
const (
	AsItIs       = "as it is"
	NoBottomVent = "no bottom vent"
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

// A Design is the case with some of its options taken up.
type Design struct {
	Name    string
	Options []string // names of the options in it; none: as it is
	Case    VentingCase
}

// Designs are the case, each option, each pair of options and all together.
func (c *VentingCase) Designs(options []VentingOption) ([]Design, error) {
	if len(options) == 0 || len(options) > mostOptions {
		return nil, fmt.Errorf("%d options: give from 1 to %d", len(options), mostOptions)
	}
	for _, o := range options {
		if o.CoreDiameterM > 0 && c.Inside.Slices < 2 {
			return nil, fmt.Errorf("option %q opens the core, which a well-mixed cell does not have: cut the cell into slices", o.Name)
		}
	}
	var out []Design
	for _, set := range sets(len(options)) {
		d := Design{Name: AsItIs, Case: *c}
		for _, i := range set {
			d.Case = options[i].apply(d.Case)
			d.Options = append(d.Options, options[i].Name)
		}
		if len(set) > 0 {
			d.Name = strings.Join(d.Options, " + ")
		}
		out = append(out, d)
	}
	return out, nil
}

// Row simulates the design. Designs are independent of each other: whoever
// calls may simulate them side by side, each with a chance of its own.
func (d *Design) Row(s VentingSpread, trials int, confidence float64, seed func() Chance) (VentingRow, error) {
	r, err := d.Case.Row(d.Name, s, trials, confidence, seed)
	if err != nil {
		return r, fmt.Errorf("%s: %w", d.Name, err)
	}
	r.Options = d.Options
	return r, nil
}

// Compare puts the designs side by side. With trials > 0 each row has its
// simulated breaches, all from the same seed: the rows share their draws, so
// that they differ by the design and not by chance. seed starts a chance anew.
func (c *VentingCase) Compare(options []VentingOption, s VentingSpread, trials int, confidence float64, seed func() Chance) ([]VentingRow, error) {
	designs, err := c.Designs(options)
	if err != nil {
		return nil, err
	}
	var rows []VentingRow
	for i := range designs {
		row, err := designs[i].Row(s, trials, confidence, seed)
		if err != nil {
			return nil, err
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
