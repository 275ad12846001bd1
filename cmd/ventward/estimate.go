package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"ventward/analysis"
	"ventward/analysis/flow"
	"ventward/config"
	"ventward/report"
)

// estimateCaution heads every estimate.
const estimateCaution = analysis.VentingCaution

func estimateCommand(g *global) *cobra.Command {
	c := &cobra.Command{
		Use:   "estimate",
		Short: "Stored energy and stand-off, vent area, internal pressure, mechanics of a can",
		Long: `Estimates for the people who plan a test or a vent. Each names its formula and
its edition. They are estimates only: have a qualified person check them, and
follow the local rules.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error { return c.Help() },
	}
	c.AddCommand(estimateEnergyCommand(), estimateAreaCommand(), estimateVentingCommand(g), estimateShotsCommand(), estimateMechanicsCommand())
	return c
}

// printJSON prints one line.
func printJSON(w io.Writer, v any) error { return json.NewEncoder(w).Encode(v) }

// need refuses a flag that was not given.
func need(c *cobra.Command, names ...string) error {
	for _, n := range names {
		if !c.Flags().Changed(n) {
			return badUse("--%s is missing: give it (see ventward %s --help)", n, strings.TrimPrefix(c.CommandPath(), "ventward "))
		}
	}
	return nil
}

// finite refuses numbers that are none.
func finite(c *cobra.Command, values map[string]float64) error {
	for n, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return badUse("--%s %g: give a finite number", n, v)
		}
	}
	return nil
}

// energyOptions are those of estimate energy.
type energyOptions struct {
	barg, ml, barU, mlU, bulk float64
	gas                       string
	asJSON                    bool
}

func estimateEnergyCommand() *cobra.Command {
	o := &energyOptions{}
	c := &cobra.Command{
		Use:   "energy --pressure-barg P --volume-ml V",
		Short: "Energy stored in a pressurised volume, TNT equivalent and stand-off",
		Example: `  ventward estimate energy --pressure-barg 40 --volume-ml 50 --gas N2
  ventward estimate energy --pressure-barg 40 --volume-ml 50 --bulk-modulus-gpa 2.2 --json`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			if err := need(c, "pressure-barg", "volume-ml"); err != nil {
				return err
			}
			if err := finite(c, map[string]float64{"pressure-barg": o.barg, "volume-ml": o.ml, "pressure-u-bar": o.barU, "volume-u-ml": o.mlU, "bulk-modulus-gpa": o.bulk}); err != nil {
				return err
			}
			e, err := o.energy()
			if err != nil {
				return wrongUse{err}
			}
			if o.asJSON {
				return printJSON(c.OutOrStdout(), e)
			}
			return e.print(c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.Float64Var(&o.barg, "pressure-barg", 0, "pressure, bar gauge")
	f.Float64Var(&o.ml, "volume-ml", 0, "volume, mL")
	f.StringVar(&o.gas, "gas", "N2", "gas: "+strings.Join(flow.Names(), ", "))
	f.Float64Var(&o.barU, "pressure-u-bar", 0, "expanded uncertainty of the pressure, k = 2")
	f.Float64Var(&o.mlU, "volume-u-ml", 0, "expanded uncertainty of the volume, k = 2")
	f.Float64Var(&o.bulk, "bulk-modulus-gpa", 0, "a liquid of this bulk modulus instead of a gas (water: about 2.2)")
	f.BoolVar(&o.asJSON, "json", false, "JSON on standard output")
	return c
}

// energyReading is one edition's stand-off.
type energyReading struct {
	Edition        string             `json:"edition"`
	Note           string             `json:"note"`
	StandOffM      map[string]float64 `json:"stand_off_m"`
	LeastDistanceM float64            `json:"least_distance_m"`
}

// energyAnswer is what estimate energy prints.
type energyAnswer struct {
	EnergyJ     float64         `json:"energy_J"`
	EnergyUJ    *float64        `json:"energy_u_J,omitempty"`
	TNTKg       float64         `json:"tnt_kg"`
	TNTUSKg     float64         `json:"tnt_us_kg"`
	Edition     string          `json:"edition"`
	Method      string          `json:"method"`
	PressurePa  float64         `json:"pressure_Pa_absolute"`
	OtherJ      map[string]any  `json:"other_J,omitempty"`
	Readings    []energyReading `json:"readings"`
	Cautions    []string        `json:"cautions"`
	describedAs string
}

func (o *energyOptions) energy() (*energyAnswer, error) {
	p := o.barg*report.PaPerBar + flow.CodeAtmosphere
	V := o.ml * 1e-6
	if o.barU < 0 || o.mlU < 0 || o.bulk < 0 {
		return nil, fmt.Errorf("a negative uncertainty or bulk modulus: give 0 or more")
	}
	a := &energyAnswer{PressurePa: p, Edition: flow.Reading2008.Edition, Cautions: []string{estimateCaution,
		"Fragments, hose whip and jets reach further than the blast; follow the local rules."}}
	var err error
	if o.bulk > 0 {
		a.Method, a.describedAs = "compressed liquid, (p-pa)²V/(2K)", "liquid"
		a.EnergyJ, err = flow.LiquidEnergy(p, flow.CodeAtmosphere, V, o.bulk*1e9)
		a.Cautions = append(a.Cautions, "A bubble of gas in the liquid stores more than the liquid does; the strain of the vessel is not included.")
		if o.barU > 0 || o.mlU > 0 {
			u := a.EnergyJ * math.Hypot(2*o.barU/o.barg, o.mlU/o.ml)
			a.EnergyUJ = &u
		}
	} else if err = o.gasEnergy(a, p, V); err != nil {
		return nil, err
	}
	if err != nil {
		return nil, err
	}
	a.TNTKg, a.TNTUSKg = a.EnergyJ/flow.TNTJoulePerKg, a.EnergyJ/flow.TNTJoulePerKgUS
	for _, r := range flow.Readings() {
		a.Readings = append(a.Readings, energyReading{Edition: r.Edition, Note: r.Why, StandOffM: map[string]float64{
			"scaled_20_windows": r.StandOff(a.TNTKg, flow.ScaledGlass), "scaled_12_eardrums": r.StandOff(a.TNTKg, flow.ScaledEardrum),
			"scaled_6_lungs": r.StandOff(a.TNTKg, flow.ScaledLung), "scaled_2_fatal": r.StandOff(a.TNTKg, flow.ScaledFatal),
		}, LeastDistanceM: r.LeastDistance(a.EnergyJ, flow.ScaledGlass)})
	}
	return a, nil
}

func (o *energyOptions) gasEnergy(a *energyAnswer, p, V float64) error {
	g, err := flow.Lookup(o.gas)
	if err != nil {
		return err
	}
	a.describedAs = g.Name
	a.Method = "pneumatic-test formula, 1/(k-1)·p·V·(1-(pa/p)^((k-1)/k)) with pa = 101 kPa"
	if a.EnergyJ, err = flow.CodeEnergy(p, V, g.Gamma); err != nil {
		return err
	}
	brode, _ := flow.BrodeEnergy(p, flow.CodeAtmosphere, V, g.Gamma)
	isentropic, _ := flow.IsentropicEnergy(p, flow.CodeAtmosphere, V, g.Gamma)
	isothermal, _ := flow.IsothermalEnergy(p, flow.CodeAtmosphere, V)
	available, _ := flow.AvailableEnergy(p, flow.CodeAtmosphere, V)
	a.OtherJ = map[string]any{"brode": brode, "isentropic": isentropic, "isothermal": isothermal, "available": available}
	if o.barU > 0 || o.mlU > 0 {
		u := 2 * flow.CodeEnergyU(p, V, g.Gamma, o.barU/2*report.PaPerBar, o.mlU/2*1e-6)
		a.EnergyUJ = &u
	}
	return nil
}

func (a *energyAnswer) print(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "stored energy (%s)\t%.4g J", a.describedAs, a.EnergyJ)
	if a.EnergyUJ != nil {
		fmt.Fprintf(t, " ± %.2g J (k = 2)", *a.EnergyUJ)
	}
	fmt.Fprintf(t, "\t%s\n", a.Method)
	for _, k := range []string{"brode", "isentropic", "isothermal", "available"} {
		if v, ok := a.OtherJ[k].(float64); ok {
			fmt.Fprintf(t, "  %s\t%.4g J\n", strings.Replace(k, "brode", "Brode", 1), v) // a person's name
		}
	}
	fmt.Fprintf(t, "TNT equivalent\t%.4g kg\tat 4266920 J/kg (SI constant)\n", a.TNTKg)
	fmt.Fprintf(t, "\t%.4g kg\tat 1488617 ft·lb/lb (US constant, 4.3 %% apart)\n", a.TNTUSKg)
	for _, r := range a.Readings {
		fmt.Fprintf(t, "stand-off, scaled 20 m/kg^⅓ (windows)\t%.3g m\t%s (%s)\n", r.StandOffM["scaled_20_windows"], r.Edition, r.Note)
		fmt.Fprintf(t, "  12 (eardrums), 6 (lungs), 2 (fatal)\t%.3g, %.3g, %.3g m\n", r.StandOffM["scaled_12_eardrums"], r.StandOffM["scaled_6_lungs"], r.StandOffM["scaled_2_fatal"])
		fmt.Fprintf(t, "  least distance there\t%.3g m\tfor pressure tests of plant\n", r.LeastDistanceM)
	}
	t.Flush()
	for _, c := range a.Cautions {
		fmt.Fprintln(w, c)
	}
	return nil
}

// areaOptions are those of estimate area.
type areaOptions struct {
	rate, barg, kelvin, gram, gamma, back, cd float64
	asJSON                                    bool
}

func estimateAreaCommand() *cobra.Command {
	o := &areaOptions{}
	c := &cobra.Command{
		Use:     "area --rate-mol-s N --pressure-barg P --temperature-K T --molar-mass-g M --gamma G",
		Short:   "Vent area that lets a gas generation leave at a pressure",
		Example: `  ventward estimate area --rate-mol-s 0.3 --pressure-barg 20 --temperature-K 1000 --molar-mass-g 26 --gamma 1.25 --cd 0.8`,
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			if err := need(c, "rate-mol-s", "pressure-barg", "temperature-K", "molar-mass-g", "gamma"); err != nil {
				return err
			}
			if err := finite(c, map[string]float64{"rate-mol-s": o.rate, "pressure-barg": o.barg, "temperature-K": o.kelvin, "molar-mass-g": o.gram, "gamma": o.gamma, "back-pressure-bara": o.back, "cd": o.cd}); err != nil {
				return err
			}
			return o.run(c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.Float64Var(&o.rate, "rate-mol-s", 0, "gas generation, mol/s")
	f.Float64Var(&o.barg, "pressure-barg", 0, "pressure inside, bar over the back-pressure's side: gauge against 1.01325 bar")
	f.Float64Var(&o.kelvin, "temperature-K", 0, "gas temperature, K")
	f.Float64Var(&o.gram, "molar-mass-g", 0, "molar mass, g/mol")
	f.Float64Var(&o.gamma, "gamma", 0, "ratio of specific heats")
	f.Float64Var(&o.back, "back-pressure-bara", 1.01325, "back-pressure, bar absolute")
	f.Float64Var(&o.cd, "cd", 1, "discharge coefficient")
	f.BoolVar(&o.asJSON, "json", false, "JSON on standard output")
	return c
}

// atmosphereBar is the standard atmosphere (ISO 2533) that a gauge pressure on
// the command line counts from.
const atmosphereBar = 1.01325

// areaAnswer is what estimate area prints.
type areaAnswer struct {
	AreaMM2   float64  `json:"area_mm2"`
	Choked    bool     `json:"choked"`
	Discharge float64  `json:"discharge_coefficient"`
	Cautions  []string `json:"cautions"`
}

func (o *areaOptions) area() (*areaAnswer, error) {
	g := flow.Gas{MolarMass: o.gram * 1e-3, Gamma: o.gamma}
	a, choked, err := g.VentArea(o.rate, (o.barg+atmosphereBar)*report.PaPerBar, o.back*report.PaPerBar, o.kelvin, o.cd)
	if err != nil {
		return nil, err
	}
	return &areaAnswer{a * 1e6, choked, o.cd, []string{estimateCaution, analysis.CloggingCaution}}, nil
}

func (o *areaOptions) run(w io.Writer) error {
	a, err := o.area()
	if err != nil {
		return wrongUse{err}
	}
	if o.asJSON {
		return printJSON(w, a)
	}
	kind := "subcritical"
	if a.Choked {
		kind = "choked"
	}
	fmt.Fprintf(w, "vent area %.4g mm² (C_d %.3g, %s flow, steady)\n%s\n", a.AreaMM2, a.Discharge, kind, strings.Join(a.Cautions, "\n"))
	return nil
}

// ventingOptions are those of estimate venting.
type ventingOptions struct {
	adequacyOptions
	strict bool
	asJSON bool
	open   float64
	out    string // a document
	run    string // a stored run of a runaway rig
	lots   []string
	shots  []string
}

func estimateVentingCommand(g *global) *cobra.Command {
	o := &ventingOptions{}
	c := &cobra.Command{
		Use:   "venting --case case.toml",
		Short: "Pressure in a cell during a runaway, with the top vent part-clogged",
		Long: `Simulates the pressure in a cell for a gas generation: which vent opens when,
whether the housing holds hot, how far the top vent may be clogged, and how
often scatter and uncertainty lead to a breach. --compare puts the designer's
options side by side. testdata/venting/case.toml is a commented example.

--run takes the gas generation from a stored run of a runaway rig, --lots and
--shots take mean and scatter of the openings from stored lots or a spreadsheet,
instead of what the case says.`,
		Example: `  ventward estimate venting --case case.toml
  ventward estimate venting --case case.toml --compare --trials 500 --seed 7
  ventward estimate venting --case case.toml --compare -o venting.pdf
  ventward estimate venting --case case.toml --run RUN --lots T-031,B-0410,H-007`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			if err := need(c, "case"); err != nil {
				return err
			}
			k, err := o.read()
			if err != nil {
				return err
			}
			if err := o.gathered(g, k); err != nil {
				return err
			}
			if c.Flags().Changed("open-fraction") {
				k.Venting.Top.OpenFraction = o.open
				k.Spread.OpenLow, k.Spread.OpenHigh = 0, 0
			}
			if o.compare && !c.Flags().Changed("trials") {
				o.trials = 100
			}
			return o.estimate(k, c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.StringVar(&o.file, "case", "", "the case, TOML")
	f.BoolVar(&o.compare, "compare", false, "the options of the case side by side")
	f.StringVarP(&o.out, "output", "o", "", "a document to write as well: .pdf or .html")
	f.StringVar(&o.run, "run", "", "a stored run of a runaway rig whose gas is taken")
	f.StringSliceVar(&o.lots, "lots", nil, "stored lots whose openings are taken")
	f.StringSliceVar(&o.shots, "shots", nil, "spreadsheets of shots (as for lot --from) whose openings are taken")
	f.Float64Var(&o.open, "open-fraction", 0.5, "open fraction of the top vent instead of the case's")
	f.IntVar(&o.trials, "trials", 300, "simulated cells a design for the probability of breach (default with --compare 100); 0: none")
	f.Uint64Var(&o.seed, "seed", 1, "of the simulated cells")
	f.Float64Var(&o.confidence, "confidence", 0.95, "of the bound of that probability")
	f.BoolVar(&o.strict, "strict", false, "exit 1 when the housing does not hold")
	f.BoolVar(&o.asJSON, "json", false, "JSON lines on standard output")
	return c
}

// gathered puts what was measured into the case.
func (o *ventingOptions) gathered(g *global, k *config.Case) error {
	if o.run != "" {
		if err := withRun(k, g.data, o.run); err != nil {
			return err
		}
	}
	if len(o.lots)+len(o.shots) == 0 {
		return nil
	}
	sums, err := lotScatter(g, o.shots, o.lots)
	if err != nil {
		return err
	}
	return withLots(k, sums)
}

func (o *ventingOptions) estimate(k *config.Case, w io.Writer) error {
	var write writer
	if o.out != "" {
		var err error
		if write, err = formOf(o.out); err != nil {
			return err
		}
	}
	rows, err := o.rows(k)
	if err != nil {
		return wrongUse{err}
	}
	lines := make([]ventingLine, len(rows))
	for i := range rows {
		lines[i] = newVentingLine(&k.Venting, rows[i])
	}
	if o.asJSON {
		for i := range lines {
			if err := printJSON(w, lines[i]); err != nil {
				return err
			}
		}
	} else {
		printVenting(w, k, lines, o)
	}
	if write != nil {
		v, err := o.section(k)
		if err != nil {
			return err
		}
		if err := writeReport(o.out, report.VentingDocument(v, time.Now(), version), write); err != nil {
			return err
		}
	}
	if o.strict && !lines[0].Holds {
		return errNo
	}
	return nil
}

// rows are the case as it is, with and without its bottom vent, or with the
// options taken up.
func (o *ventingOptions) rows(k *config.Case) ([]analysis.VentingRow, error) {
	if o.compare {
		return o.compared(k)
	}
	v := k.Venting
	designs := []analysis.Design{{Name: analysis.AsItIs, Case: v}}
	if v.Bottom != nil {
		var err error
		if designs, err = v.Designs([]analysis.VentingOption{{Name: analysis.NoBottomVent, NoBottom: true}}); err != nil {
			return nil, err
		}
	}
	return o.simulate(designs, k.Spread)
}

// simulate takes the designs side by side, as many at once as there are cores.
func (o *adequacyOptions) simulate(designs []analysis.Design, s analysis.VentingSpread) ([]analysis.VentingRow, error) {
	rows, errs := make([]analysis.VentingRow, len(designs)), make([]error, len(designs))
	var next atomic.Int64
	var g sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(designs)) {
		g.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(designs); i = int(next.Add(1)) - 1 {
				rows[i], errs[i] = designs[i].Row(s, o.trials, o.confidence, o.chance)
			}
		})
	}
	g.Wait()
	return rows, errors.Join(errs...)
}

// usualOptions are those compared where a case names none: each a round step
// from the case.
func usualOptions(v *analysis.VentingCase) []analysis.VentingOption {
	out := []analysis.VentingOption{
		{Name: "top vent opens 20 % lower", TopOpeningPa: 0.8 * v.Top.Opening.MeanPa},
		{Name: "top vent 50 % larger", TopAreaM2: 1.5 * v.Top.AreaM2},
		{Name: "can 20 % thicker", WallFactor: 1.2},
	}
	if v.Inside.Slices >= 2 {
		out = append(out, analysis.VentingOption{Name: "core kept open, 1 mm wider", CoreDiameterM: v.Inside.CoreDiameterM + 1e-3})
	}
	if v.Bottom != nil {
		return append(out, analysis.VentingOption{Name: analysis.NoBottomVent, NoBottom: true})
	}
	b := analysis.Vent{Opening: analysis.Scatter{MeanPa: (v.Top.Opening.MeanPa + v.Housing.HotPa()) / 2}, AreaM2: 4 * v.Top.AreaM2, Discharge: v.Top.Discharge, OpenFraction: 1}
	return append(out, analysis.VentingOption{Name: fmt.Sprintf("a bottom vent of %.3g mm² at %.3g bar", b.AreaM2*1e6, b.Opening.MeanPa/1e5), Bottom: &b})
}
