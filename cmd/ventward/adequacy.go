package main

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ventward/analysis"
	"ventward/analysis/lot"
	"ventward/config"
	"ventward/daq"
	"ventward/report"
	"ventward/store"
)

// adequacyOptions are what reports and estimates of a cell's venting share.
type adequacyOptions struct {
	file       string
	compare    bool
	trials     int
	seed       uint64
	confidence float64
}

func (o *adequacyOptions) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&o.file, "case", "", "a cell and its runaway, TOML: adds whether its vents suffice (estimate only)")
	f.BoolVar(&o.compare, "compare", false, "with --case: the designer's options side by side")
	f.IntVar(&o.trials, "trials", 200, "with --case: simulated cells a design; 0: none")
	f.Uint64Var(&o.seed, "seed", 1, "of the simulated cells")
}

// chance starts the drawn numbers anew.
func (o *adequacyOptions) chance() analysis.Chance { return rand.New(rand.NewPCG(o.seed, 0)).Float64 }

// read reads the case.
func (o *adequacyOptions) read() (*config.Case, error) {
	if o.trials < 0 || !(o.confidence > 0 && o.confidence < 1) {
		return nil, badUse("--trials %d --confidence %g: give trials of 0 or more and a confidence between 0 and 1", o.trials, o.confidence)
	}
	k, err := config.VentingCase(o.file)
	if err != nil {
		return nil, wrongUse{err}
	}
	return k, nil
}

// adequacy answers what the engineer asks of a case.
func (o *adequacyOptions) adequacy(k *config.Case) (*analysis.Adequacy, error) {
	if err := k.Venting.Check(); err != nil {
		return nil, wrongUse{fmt.Errorf("%s: %w", k.Name, err)}
	}
	a, err := k.Venting.Adequacy(k.Spread, o.trials, o.confidence, o.chance)
	if err != nil || !o.compare {
		return &a, err
	}
	a.Options, err = o.compared(k)
	return &a, err
}

// compared simulates the designer's options.
func (o *adequacyOptions) compared(k *config.Case) ([]analysis.VentingRow, error) {
	options := k.Options
	if len(options) == 0 {
		options = usualOptions(&k.Venting)
	}
	designs, err := k.Venting.Designs(options)
	if err != nil {
		return nil, wrongUse{err}
	}
	return o.simulate(designs, k.Spread)
}

// withLots puts the scatter of lots into a case: each feature's mean, s and
// number of pieces instead of the case's.
func withLots(k *config.Case, sums []lot.Summary) error {
	v := &k.Venting
	slots := map[string]*analysis.Scatter{lot.TopVent: &v.Top.Opening, lot.Housing: &v.Housing.Cold}
	if v.Bottom != nil {
		slots[lot.BottomVent] = &v.Bottom.Opening
	}
	from := map[string]string{}
	for i := range sums {
		s := &sums[i]
		to := slots[s.Group.Feature]
		if to == nil || s.S == nil {
			continue
		}
		if was := from[s.Group.Feature]; was != "" {
			return badUse("--case: there are two groups of a %s (%s and %s): choose one lot, or pool with --pool", s.Group.Feature, was, s.Group.Lot)
		}
		*to = analysis.Scatter{MeanPa: *s.Mean, SDPa: *s.S, Pieces: s.N}
		from[s.Group.Feature] = s.Group.Lot
	}
	if len(from) == 0 {
		return badUse("--case: no group of these shots has a mean and a spread of a feature of the case")
	}
	var words []string
	for _, f := range []string{lot.TopVent, lot.BottomVent, lot.Housing} {
		if from[f] != "" {
			words = append(words, f+" of lot "+from[f])
		}
	}
	k.Source = bothOf(k.Source, "openings: "+strings.Join(words, ", "))
	return nil
}

// Of a runaway's rise: this long before and after, and this many points.
const (
	riseLeadS  = 3.0
	riseTrailS = 30.0
	risePoints = 300
	riseMost   = 2_000_000
)

// withRun puts the gas generation of a stored runaway run into a case: amount
// from the settled state, shape from the vessel's rise of pressure, temperature
// in the cell as the case has it.
func withRun(k *config.Case, data, id string) error {
	st, err := store.Open(data, store.Options{Access: store.Read})
	if err != nil {
		return err
	}
	defer st.Close()
	rd, err := st.Reader(id)
	if err != nil {
		return wrongUse{err}
	}
	start := rd.Meta().Start
	x, err := runawayResult(rd, start)
	rd.Close()
	if err != nil {
		return wrongUse{fmt.Errorf("run %s: %w", id, err)}
	}
	return generationOf(k, st, id, x)
}

// runawayResult plays a stored run of a runaway rig.
func runawayResult(rd *store.Reader, start int64) (*analysis.RunawayResult, error) {
	var r *analysis.Runaway
	_, err := play(rd, nil, func(_ *daq.Entry, out *outcome, e *engine) error {
		if r == nil {
			if r = gatherRunaway(e.bench, start); r == nil {
				return errNoRunaway
			}
		}
		gather(r, e, out)
		return nil
	})
	if err == nil && r == nil {
		err = errNoRunaway
	}
	if err != nil {
		return nil, err
	}
	x := r.Result()
	return &x, nil
}

// generationOf puts the generation of a run whose results are known into a
// case.
func generationOf(k *config.Case, st *store.Store, id string, x *analysis.RunawayResult) error {
	switch {
	case x.GasMol == nil:
		return badUse("run %s: no amount of gas: %s", id, x.Absent["gas_mol"])
	case x.Runaway == 0 || x.RateWindowS == nil:
		return badUse("run %s: no runaway was seen whose gas could be taken", id)
	}
	t, p, err := riseOf(st, id, x.Runaway)
	if err != nil {
		return err
	}
	v := &k.Venting
	g, err := analysis.GenerationFromRise(t, p, *x.GasMol, v.Generation.Hottest(), *x.RateWindowS, risePoints)
	if err != nil {
		return badUse("run %s: %w", id, err)
	}
	v.Generation = g
	if x.GasUMol != nil {
		k.Spread.AmountRel = max(k.Spread.AmountRel, *x.GasUMol / *x.GasMol / 2)
	}
	k.Source = bothOf(k.Source, "gas of run "+id)
	return nil
}

// riseOf reads the vessel's pressure round the runaway, s and Pa.
func riseOf(st *store.Store, id string, runaway int64) (t, p []float64, err error) {
	rd, err := st.Reader(id)
	if err != nil {
		return nil, nil, err
	}
	defer rd.Close()
	from, to := runaway-int64(riseLeadS*1e9), runaway+int64(riseTrailS*1e9)
	_, err = play(rd, nil, func(_ *daq.Entry, _ *outcome, e *engine) error {
		if e.main < 0 {
			return nil
		}
		for _, s := range e.samples[e.main] {
			if s.Q&daq.Bad != 0 || s.T < from || s.T > to || len(t) == riseMost {
				continue
			}
			if at := float64(s.T-from) * 1e-9; len(t) == 0 || at > t[len(t)-1] {
				t, p = append(t, at), append(p, s.V)
			}
		}
		return nil
	})
	return t, p, err
}

// section is the adequacy as a report shows it, with what was drawn.
func (o *adequacyOptions) section(k *config.Case) (*report.Venting, error) {
	a, err := o.adequacy(k)
	if err != nil {
		return nil, err
	}
	return &report.Venting{Name: k.Name, Source: k.Source, Adequacy: a, Inputs: report.SpreadFacts(&k.Venting, k.Spread)}, nil
}

// needCase refuses options of --case without it.
func (o *adequacyOptions) needCase(changed func(string) bool) error {
	if o.file != "" {
		return nil
	}
	for _, n := range []string{"compare", "trials", "seed"} {
		if changed(n) {
			return badUse("--%s: it belongs to --case, which is not given", n)
		}
	}
	return nil
}

// lotScatter reads shots of a spreadsheet, or of stored lots, for a case.
func lotScatter(g *global, shots, lots []string) ([]lot.Summary, error) {
	var out []lot.Summary
	for _, name := range lots {
		o := lotOptions{confidence: 0.95, coverage: 0.99}
		r, err := o.run(g, []string{name}, nil)
		if err != nil {
			return nil, err
		}
		out = append(out, r.sums...)
	}
	for _, file := range shots {
		o := lotOptions{from: file, confidence: 0.95, coverage: 0.99}
		r, err := o.run(g, nil, nil)
		if err != nil {
			return nil, err
		}
		out = append(out, r.sums...)
	}
	return slices.DeleteFunc(out, func(s lot.Summary) bool { return s.S == nil }), nil
}
