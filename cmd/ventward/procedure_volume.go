package main

import (
	"fmt"
	"math"
	"time"

	"github.com/spf13/cobra"

	"ventward/analysis"
	"ventward/analysis/flow"
)

// volumeFlags are readings as a person types them: bar absolute, °C, mL, with
// expanded uncertainties (k = 2).
type volumeFlags struct {
	knownML, knownU                         float64
	mol, grams, molarMass, litres, gasU     float64
	atBar, atC                              float64
	beforeBar, fixtureBar, afterBar         float64
	pressureU, zeroU, gainUPercent          float64
	beforeC, fixtureC, afterC, temperatureU float64
	json                                    bool
}

func volumeCommand() *cobra.Command {
	f := &volumeFlags{}
	c := &cobra.Command{
		Use:   "volume (--known-ml V | --charge-mol N | --charge-g M --molar-mass-g-mol MM | --charge-l L)",
		Short: "Volume of the fixture by expansion from a known volume or by a metered charge",
		Long: `By expansion: a known volume at --before-bara is opened into the fixture at
--fixture-bara; both come to rest at --after-bara. By a metered charge: the fixture
goes from --fixture-bara to --after-bara as a metered amount of gas is let in.
Pressures are absolute. Uncertainties are expanded (k = 2). Ideal gas.`,
		Example: `  ventward procedure volume --known-ml 100 --known-u-ml 0.2 --before-bara 6.02 \
    --fixture-bara 1.01 --after-bara 4.34 --pressure-u-bar 0.006 --temperature-u-C 0.5
  ventward procedure volume --charge-l 0.25 --fixture-bara 1.01 --after-bara 6.08`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			o, err := f.determine(c.Flags().Changed)
			if err != nil {
				return err
			}
			return o.print(c.OutOrStdout(), f.json)
		},
	}
	fl := c.Flags()
	fl.Float64Var(&f.knownML, "known-ml", 0, "known volume, mL: determine by expansion")
	fl.Float64Var(&f.knownU, "known-u-ml", 0, "its expanded uncertainty, mL")
	fl.Float64Var(&f.mol, "charge-mol", 0, "amount of gas let in, mol")
	fl.Float64Var(&f.grams, "charge-g", 0, "mass of gas let in, g")
	fl.Float64Var(&f.molarMass, "molar-mass-g-mol", 28.0134, "molar mass of the gas, g/mol (nitrogen)")
	fl.Float64Var(&f.litres, "charge-l", 0, "gas let in as litres at the meter's reference state")
	fl.Float64Var(&f.atBar, "at-bara", 1.01325, "reference state of --charge-l: pressure, bar absolute")
	fl.Float64Var(&f.atC, "at-C", 0, "reference state of --charge-l: temperature, °C")
	fl.Float64Var(&f.gasU, "charge-u-percent", 1, "expanded uncertainty of the amount let in, %")
	fl.Float64Var(&f.beforeBar, "before-bara", 0, "known volume before the expansion, bar absolute")
	fl.Float64Var(&f.fixtureBar, "fixture-bara", 1.01325, "fixture before, bar absolute")
	fl.Float64Var(&f.afterBar, "after-bara", 0, "afterwards, bar absolute")
	fl.Float64Var(&f.pressureU, "pressure-u-bar", 0.01, "expanded uncertainty of each pressure reading, bar")
	fl.Float64Var(&f.zeroU, "zero-u-bar", 0.02, "expanded uncertainty of the zero that the readings share, bar")
	fl.Float64Var(&f.gainUPercent, "gain-u-percent", 0.1, "expanded uncertainty of the transducer's gain, % (counts for a charge only)")
	fl.Float64Var(&f.beforeC, "before-C", 23, "gas temperature in the known volume before, °C")
	fl.Float64Var(&f.fixtureC, "fixture-C", 23, "gas temperature in the fixture before, °C")
	fl.Float64Var(&f.afterC, "after-C", 23, "gas temperature afterwards, °C")
	fl.Float64Var(&f.temperatureU, "temperature-u-C", 1, "expanded uncertainty of each gas temperature, °C")
	fl.BoolVar(&f.json, "json", false, "print one line of JSON")
	return c
}

func (f *volumeFlags) state(bar, celsius float64) analysis.State {
	return analysis.State{Pressure: analysis.Measured{Value: bar * 1e5, U: f.pressureU * 1e5 / 2}, Temperature: analysis.Measured{Value: celsius + 273.15, U: f.temperatureU / 2}}
}

// amount is the gas let in, mol.
func (f *volumeFlags) amount() float64 {
	switch {
	case f.grams > 0:
		return f.grams / f.molarMass
	case f.litres > 0:
		return f.atBar * 1e5 * f.litres * 1e-3 / (flow.R * (f.atC + 273.15))
	}
	return f.mol
}

func (f *volumeFlags) determine(given func(string) bool) (*procedureResult, error) {
	ways, way := 0, ""
	for _, name := range []string{"known-ml", "charge-mol", "charge-g", "charge-l"} {
		if given(name) {
			ways++
			way = name
		}
	}
	if ways != 1 {
		return nil, badUse("give one of --known-ml, --charge-mol, --charge-g and --charge-l")
	}
	if !given("after-bara") || way == "known-ml" && !given("before-bara") {
		return nil, badUse("give --after-bara, and for an expansion --before-bara")
	}
	if err := f.check(); err != nil {
		return nil, err
	}
	var d analysis.Determination
	var err error
	method := "metered charge"
	if way == "known-ml" {
		e := analysis.Expansion{Known: analysis.Measured{Value: f.knownML * 1e-6, U: f.knownU * 1e-6 / 2}, Before: f.state(f.beforeBar, f.beforeC),
			Fixture: f.state(f.fixtureBar, f.fixtureC), After: f.state(f.afterBar, f.afterC), CommonU: f.zeroU * 1e5 / 2}
		d, err = e.Volume()
		method = fmt.Sprintf("expansion from %g mL", f.knownML)
	} else {
		n := f.amount()
		c := analysis.Charge{Amount: analysis.Measured{Value: n, U: n * f.gasU / 200}, Before: f.state(f.fixtureBar, f.fixtureC), After: f.state(f.afterBar, f.afterC),
			CommonU: f.zeroU * 1e5 / 2, GainU: f.gainUPercent / 200}
		d, err = c.Volume()
	}
	if err != nil {
		return nil, wrongUse{err}
	}
	return f.tell(d, method), nil
}

func (f *volumeFlags) check() error {
	for name, v := range map[string]float64{"known-u-ml": f.knownU, "charge-u-percent": f.gasU, "pressure-u-bar": f.pressureU, "zero-u-bar": f.zeroU,
		"gain-u-percent": f.gainUPercent, "temperature-u-C": f.temperatureU} {
		if v < 0 || math.IsNaN(v) || math.IsInf(v, 0) {
			return badUse("--%s %v: give a number that is zero or more", name, v)
		}
	}
	if !(f.molarMass > 0) || !(f.atBar > 0) || !(f.atC > -273.15) {
		return badUse("--molar-mass-g-mol, --at-bara and the absolute --at-C must be more than zero")
	}
	return nil
}

func (f *volumeFlags) tell(d analysis.Determination, method string) *procedureResult {
	o := &procedureResult{Table: "[test]"}
	ml, u := d.Value*1e6, 2*d.U*1e6
	date := time.Now().Format(time.DateOnly)
	o.say("volume %.3f mL +- %.3f mL (k = 2), by %s", ml, u, method)
	for _, p := range d.Parts {
		if p.U > 0.05*d.U {
			o.say("  %-32s %.3f mL", p.Input, 2*p.U*1e6)
		}
	}
	o.say("The passage of the opened valve is in it. What is fitted later, a specimen above all, is not.")
	o.line("volume_ml = %.3f", ml)
	o.line("volume_u_ml = %.3f", u)
	o.line("volume_date = %s", date)
	o.line("volume_method = %q", method)
	o.Data = map[string]any{"volume_ml": ml, "volume_u_ml": u, "date": date, "method": method, "parts": d.Parts}
	return o
}
