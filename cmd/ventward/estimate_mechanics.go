package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ventward/analysis"
	"ventward/report"
)

// mechanicsOptions are those of estimate mechanics; 0: not given.
type mechanicsOptions struct {
	barg, diameter, wall                    float64 // bar, mm
	yield, tensile, hardening, hot          float64 // MPa, -, -
	header, crimp                           float64 // mm, N/mm
	baseRadius, baseThick, modulus, poisson float64 // mm, mm, GPa, -
	scoreRadius, residual                   float64 // mm, µm
	asJSON                                  bool
}

func estimateMechanicsCommand() *cobra.Command {
	o := &mechanicsOptions{}
	c := &cobra.Command{
		Use:   "mechanics --pressure-barg P --diameter-mm D --wall-mm T",
		Short: "Stress in a can, its burst pressure, crimp load, base and score, as far as figures are given",
		Long: `Estimates the stress in the wall of a can under pressure, and, where their
figures are given: the pressure at which the wall bursts, cold and hot, the load
of the crimp, the base as a clamped plate, and the opening pressure of a scored
base or disc with the band in which it may be believed. Formulas and their
sources stand beside each figure. Estimate only: have a qualified person check it.`,
		Example: `  ventward estimate mechanics --pressure-barg 40 --diameter-mm 21 --wall-mm 0.25
  ventward estimate mechanics --pressure-barg 40 --diameter-mm 21 --wall-mm 0.25 --tensile-mpa 600 --yield-mpa 500 --hot-factor 0.8
  ventward estimate mechanics --pressure-barg 40 --diameter-mm 21 --wall-mm 0.25 --tensile-mpa 400 --score-radius-mm 7 --residual-um 85 --json`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			if err := need(c, "pressure-barg", "diameter-mm", "wall-mm"); err != nil {
				return err
			}
			a, err := o.answer()
			if err != nil {
				return wrongUse{err}
			}
			if o.asJSON {
				return printJSON(c.OutOrStdout(), a)
			}
			return a.print(c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.Float64Var(&o.barg, "pressure-barg", 0, "pressure inside, bar gauge")
	f.Float64Var(&o.diameter, "diameter-mm", 0, "outer diameter of the can")
	f.Float64Var(&o.wall, "wall-mm", 0, "its wall")
	f.Float64Var(&o.yield, "yield-mpa", 0, "yield strength of the wall as it is in the can")
	f.Float64Var(&o.tensile, "tensile-mpa", 0, "its tensile strength: adds the burst pressure")
	f.Float64Var(&o.hardening, "hardening", 0, "its strain-hardening exponent, above 0 and below 1: adds another estimate of the burst pressure")
	f.Float64Var(&o.hot, "hot-factor", 1, "hot strength over cold")
	f.Float64Var(&o.header, "header-mm", 0, "sealing diameter of the header: adds the crimp's load")
	f.Float64Var(&o.crimp, "crimp-n-per-mm", 0, "what the crimp bears a length, from a test: adds when it lets go")
	f.Float64Var(&o.baseRadius, "base-radius-mm", 0, "radius of the flat base: adds the base")
	f.Float64Var(&o.baseThick, "base-mm", 0, "its thickness")
	f.Float64Var(&o.modulus, "modulus-gpa", 205, "its modulus of elasticity (steel)")
	f.Float64Var(&o.poisson, "poisson", 0.3, "its Poisson's ratio")
	f.Float64Var(&o.scoreRadius, "score-radius-mm", 0, "radius of a round score: adds its opening pressure, with --residual-um and --tensile-mpa")
	f.Float64Var(&o.residual, "residual-um", 0, "residual thickness of the score")
	f.BoolVar(&o.asJSON, "json", false, "JSON on standard output")
	return c
}

// mechanicsFigure is one line of the answer; Low and High where a band is stated.
type mechanicsFigure struct {
	Name   string   `json:"name"`
	Value  float64  `json:"value"`
	Low    *float64 `json:"low,omitempty"`
	High   *float64 `json:"high,omitempty"`
	Unit   string   `json:"unit"`
	Method string   `json:"method"`
}

// mechanicsAnswer is what estimate mechanics prints.
type mechanicsAnswer struct {
	PressureBarg float64           `json:"pressure_barg"`
	HotFactor    float64           `json:"hot_factor"`
	Figures      []mechanicsFigure `json:"figures"`
	Cautions     []string          `json:"cautions"`
}

const (
	paPerMPa = 1e6
	mPerMM   = 1e-3
)

func (a *mechanicsAnswer) add(name string, v float64, unit, method string) {
	a.Figures = append(a.Figures, mechanicsFigure{Name: name, Value: v, Unit: unit, Method: method})
}

func (o *mechanicsOptions) answer() (*mechanicsAnswer, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	a := &mechanicsAnswer{PressureBarg: o.barg, HotFactor: o.hot, Cautions: []string{analysis.MechanicsCaution, analysis.CloggingCaution}}
	for _, part := range []func(*mechanicsAnswer) error{o.walls, o.bursts, o.crimps, o.base, o.score} {
		if err := part(a); err != nil {
			return nil, err
		}
	}
	return a, nil
}

// check tells which figure misses its fellow or lies outside of what has a
// meaning.
func (o *mechanicsOptions) check() error {
	for name, v := range map[string]float64{"pressure-barg": o.barg, "diameter-mm": o.diameter, "wall-mm": o.wall, "hot-factor": o.hot} {
		if !(v > 0) || math.IsInf(v, 0) {
			return fmt.Errorf("--%s %g: give a positive number", name, v)
		}
	}
	for name, v := range map[string]float64{"yield-mpa": o.yield, "tensile-mpa": o.tensile, "hardening": o.hardening, "header-mm": o.header, "crimp-n-per-mm": o.crimp,
		"base-radius-mm": o.baseRadius, "base-mm": o.baseThick, "score-radius-mm": o.scoreRadius, "residual-um": o.residual} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return fmt.Errorf("--%s %g: give a positive number, or leave it out", name, v)
		}
	}
	switch {
	case o.hot > 1:
		return fmt.Errorf("--hot-factor %g: hot metal bears less, give at most 1", o.hot)
	case (o.yield > 0 || o.hardening > 0) && o.tensile == 0:
		return fmt.Errorf("--tensile-mpa is missing: a burst pressure needs it beside --yield-mpa or --hardening")
	case o.tensile > 0 && o.yield == 0 && o.hardening == 0 && o.scoreRadius == 0:
		return fmt.Errorf("--tensile-mpa alone gives no figure: add --yield-mpa, --hardening, or a score")
	case o.crimp > 0 && o.header == 0:
		return fmt.Errorf("--header-mm is missing: what a crimp bears goes with its diameter")
	case (o.baseRadius > 0) != (o.baseThick > 0):
		return fmt.Errorf("--base-radius-mm and --base-mm go together: give both")
	case o.baseRadius > 0 && (!(o.modulus > 0) || math.IsInf(o.modulus, 0) || !(o.poisson > -1 && o.poisson <= 0.5)):
		return fmt.Errorf("--modulus-gpa %g and --poisson %g: give a positive modulus and a ratio from -1 to 0.5", o.modulus, o.poisson)
	case (o.scoreRadius > 0) != (o.residual > 0) || o.scoreRadius > 0 && o.tensile == 0:
		return fmt.Errorf("--score-radius-mm, --residual-um and --tensile-mpa go together: give all three")
	}
	return nil
}

// radii are those of the wall, m.
func (o *mechanicsOptions) radii() (in, out float64) {
	return (o.diameter/2 - o.wall) * mPerMM, o.diameter / 2 * mPerMM
}

func (o *mechanicsOptions) walls(a *mechanicsAnswer) error {
	p := o.barg * report.PaPerBar
	in, out := o.radii()
	thick, err := analysis.ThickCylinder(p, in, out, in)
	if err != nil {
		return err
	}
	if thin, err := analysis.ThinCylinder(p, (o.diameter-o.wall)*mPerMM, o.wall*mPerMM); err == nil {
		const method = "membrane at the mean diameter, p·d/(2t) and half of it"
		a.add("hoop stress, thin wall", thin.Hoop/paPerMPa, "MPa", method)
		a.add("axial stress, thin wall", thin.Axial/paPerMPa, "MPa", method)
	}
	const method = "Lamé, closed cylinder, at the inner face"
	a.add("hoop stress, thick wall", thick.Hoop/paPerMPa, "MPa", method)
	a.add("axial stress, thick wall", thick.Axial/paPerMPa, "MPa", method)
	a.add("equivalent stress", thick.Mises()/paPerMPa, "MPa", "von Mises, of the thick wall")
	return nil
}

// bursts adds the pressures at which the side wall bursts.
func (o *mechanicsOptions) bursts(a *mechanicsAnswer) error {
	in, out := o.radii()
	both := func(pa float64, method string) {
		a.add("burst pressure of the wall, cold", pa/report.PaPerBar, "bar", method)
		if o.hot < 1 {
			a.add("burst pressure of the wall, hot", o.hot*pa/report.PaPerBar, "bar", method+fmt.Sprintf(", times %g", o.hot))
		}
	}
	if o.yield > 0 {
		pa, err := analysis.FaupelBurst(o.yield*paPerMPa, o.tensile*paPerMPa, in, out)
		if err != nil {
			return err
		}
		both(pa, "Faupel 1956, from memory")
	}
	if o.hardening > 0 {
		pa, err := analysis.SvenssonBurst(o.tensile*paPerMPa, o.hardening, in, out)
		if err != nil {
			return err
		}
		both(pa, "Svensson 1958, from memory")
	}
	return nil
}

func (o *mechanicsOptions) crimps(a *mechanicsAnswer) error {
	if o.header == 0 {
		return nil
	}
	force, length := analysis.CrimpLoad(o.barg*report.PaPerBar, o.header*mPerMM)
	a.add("force on the header", force, "N", "p·π·d²/4")
	a.add("force on the crimp a length", length*mPerMM, "N/mm", "p·d/4")
	if o.crimp > 0 {
		pa := analysis.CrimpPressure(o.crimp/mPerMM, o.header*mPerMM)
		a.add("the crimp lets go, cold", pa/report.PaPerBar, "bar", "4·f/d, from a test of the crimp")
		if o.hot < 1 {
			a.add("the crimp lets go, hot", o.hot*pa/report.PaPerBar, "bar", fmt.Sprintf("4·f/d, times %g", o.hot))
		}
	}
	return nil
}

func (o *mechanicsOptions) base(a *mechanicsAnswer) error {
	if o.baseRadius == 0 {
		return nil
	}
	plate := analysis.Plate{A: o.baseRadius * mPerMM, T: o.baseThick * mPerMM, E: o.modulus * 1e9, Nu: o.poisson}
	w, _, _, centre, edge := plate.Clamped(o.barg * report.PaPerBar)
	method := "clamped plate, small deflection"
	if w > plate.T/2 {
		method += ": beyond its domain of half the thickness, read as an upper bound"
	}
	a.add("deflection of the base", w/mPerMM, "mm", method)
	a.add("stress of the base, centre", centre/paPerMPa, "MPa", method)
	a.add("stress of the base, edge", edge/paPerMPa, "MPa", method)
	return nil
}

func (o *mechanicsOptions) score(a *mechanicsAnswer) error {
	if o.scoreRadius == 0 {
		return nil
	}
	opens := func(name string, hot float64) error {
		e, err := analysis.ScoredDisc(o.residual*1e-6, o.scoreRadius*mPerMM, o.tensile*paPerMPa, hot)
		if err != nil {
			return err
		}
		low, high := e.Low/report.PaPerBar, e.High/report.PaPerBar
		a.Figures = append(a.Figures, mechanicsFigure{name, e.Value / report.PaPerBar, &low, &high, "bar", e.Method})
		return nil
	}
	if err := opens("the score opens, cold", 1); err != nil || o.hot == 1 {
		return err
	}
	return opens("the score opens, hot", o.hot)
}

func (a *mechanicsAnswer) print(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, f := range a.Figures {
		band := ""
		if f.Low != nil {
			band = fmt.Sprintf(" (%.3g to %.3g)", *f.Low, *f.High)
		}
		fmt.Fprintf(t, "%s\t%.4g %s%s\t%s\n", f.Name, f.Value, f.Unit, band, f.Method)
	}
	t.Flush()
	fmt.Fprintln(w, strings.Join(a.Cautions, "\n"))
	return nil
}
