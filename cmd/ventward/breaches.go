package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"ventward/analysis/lot"
	"ventward/record"
	"ventward/report"
	"ventward/store"
)

// breachOptions are those of breaches.
type breachOptions struct {
	from       string
	lots       []string
	vented     []string
	confidence float64
	asJSON     bool
	out        string
}

func breachesCommand(g *global) *cobra.Command {
	var o breachOptions
	c := &cobra.Command{
		Use:   "breaches --from tests.csv | --lots LOT,LOT",
		Short: "How often housings breach in thermal runaway, with exact bounds",
		Long: `Counts breaches of thermal-runaway tests by trigger, surrounding and bottom vent,
each with its exact bounds, and compares kinds that differ in one of the three
by Fisher's exact test. They are never pooled.

tests.csv has the columns test, trigger, bottom_vent (yes or no), breached (yes or
no), and optionally lot, surrounding, status (valid, invalid) and reason.

--lots takes stored runs: trigger and surrounding as the specimens came in, the
breach as the person wrote it down after the run (housing opened). A run without
an outcome or a trigger does not count, and is listed with its reason.`,
		Example: `  ventward breaches --from tests.csv
  ventward breaches --lots C-201,C-202 --with-bottom-vent C-201 -o breaches.pdf`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			if (o.from == "") == (len(o.lots) == 0) {
				return badUse("breaches: give one of --from tests.csv and --lots LOT,LOT")
			}
			tests, err := o.tests(g, c.ErrOrStderr())
			if err != nil {
				return err
			}
			return o.print(tests, c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.StringVar(&o.from, "from", "", "a list of runaway tests, CSV")
	f.StringSliceVar(&o.lots, "lots", nil, "lots of the stored runs")
	f.StringSliceVar(&o.vented, "with-bottom-vent", nil, "those of --lots whose cells have a bottom vent")
	f.Float64Var(&o.confidence, "confidence", 0.95, "of the bounds")
	f.BoolVar(&o.asJSON, "json", false, "JSON lines on standard output")
	f.StringVarP(&o.out, "output", "o", "", "a document to write as well: .pdf or .html")
	return c
}

func (o *breachOptions) tests(g *global, stderr io.Writer) ([]lot.Runaway, error) {
	if o.from == "" {
		for _, l := range o.vented {
			if !slices.Contains(o.lots, l) {
				return nil, badUse("--with-bottom-vent %s: it is none of --lots %s", l, strings.Join(o.lots, ","))
			}
		}
		return o.storedTests(g.data)
	}
	f, err := os.Open(o.from)
	if err != nil {
		return nil, badUse("--from: %w", err)
	}
	defer f.Close()
	tests, ignored, err := lot.ReadRunaways(f, filepath.Base(o.from))
	if len(ignored) > 0 {
		fmt.Fprintf(stderr, "ventward: %s: columns not used: %s\n", filepath.Base(o.from), strings.Join(ignored, ", "))
	}
	if err != nil {
		return nil, wrongUse{err}
	}
	return tests, nil
}

// storedTests makes tests of the stored runs of the lots.
func (o *breachOptions) storedTests(data string) ([]lot.Runaway, error) {
	st, err := store.Open(data, store.Options{Access: store.Read})
	if err != nil {
		return nil, err
	}
	defer st.Close()
	ms, err := st.Runs(store.Filter{})
	if err != nil {
		return nil, err
	}
	var out []lot.Runaway
	for i := range ms {
		m := &ms[i]
		if m.Kind == store.KindIdle || !slices.Contains(o.lots, m.Lot) {
			continue
		}
		t, err := storedTest(st, m)
		if err != nil {
			return nil, fmt.Errorf("run %s: %w", m.ID, err)
		}
		t.BottomVent = slices.Contains(o.vented, m.Lot)
		out = append(out, t)
	}
	if len(out) == 0 {
		return nil, badUse("--lots %s: no stored run of them in %s (see ventward lots)", strings.Join(o.lots, ","), data)
	}
	return out, nil
}

// storedTest is one stored run as a test.
func storedTest(st *store.Store, m *store.Meta) (lot.Runaway, error) {
	t := lot.Runaway{Lot: m.Lot, ID: shotName(m)}
	p, err := papers(st, m)
	if err != nil {
		return t, err
	}
	if p.specimen != nil {
		t.Trigger, t.Surrounding = strings.ToLower(p.specimen.Trigger), strings.ToLower(p.specimen.Surrounding)
	}
	switch {
	case m.State == store.StateOpen:
		t.Left = "the run is still being recorded"
	case p.review != nil && p.review.Ruling == record.RuledInvalid:
		t.Left = p.review.Reason
	case p.outcome == nil:
		t.Left = "no outcome was written down after the run: whether the housing breached is not known"
	case p.outcome.Extent == record.Untested:
		t.Left = "not tested: the run ended before"
	case t.Trigger == "":
		t.Left = "the specimen came in without a trigger: rates are never pooled across triggers"
	}
	t.Breached = p.outcome != nil && p.outcome.Extent.Opened() && p.outcome.Feature == record.Housing
	return t, nil
}

func (o *breachOptions) print(tests []lot.Runaway, w io.Writer) error {
	var write writer
	if o.out != "" {
		var err error
		if write, err = formOf(o.out); err != nil {
			return err
		}
	}
	rates, contrasts, err := lot.Breaches(tests, o.confidence)
	if err != nil {
		return wrongUse{err}
	}
	if o.asJSON {
		for i := range rates {
			if err := printJSON(w, report.BreachRate(&rates[i], o.confidence)); err != nil {
				return err
			}
		}
		for i := range contrasts {
			if err := printJSON(w, report.BreachComparison(&contrasts[i], rates)); err != nil {
				return err
			}
		}
	} else if err := o.printText(tests, rates, contrasts, w); err != nil {
		return err
	}
	if write == nil {
		return nil
	}
	id := strings.Join(o.lots, ", ")
	if id == "" {
		id = filepath.Base(o.from)
	}
	return writeReport(o.out, report.BreachDocument(report.Document{ID: id, Subtitle: id, Made: time.Now(), Program: version}, rates, contrasts, tests, o.confidence), write)
}

func (o *breachOptions) printText(tests []lot.Runaway, rates []lot.BreachRate, contrasts []lot.BreachContrast, w io.Writer) error {
	if len(rates) == 0 {
		fmt.Fprintln(w, "No test counts.")
	}
	for i := range rates {
		fmt.Fprintln(w, report.BreachSentence(&rates[i], o.confidence))
	}
	for i := range contrasts {
		fmt.Fprintln(w, report.BreachComparison(&contrasts[i], rates).Sentence)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for i := range tests {
		if tests[i].Left != "" {
			fmt.Fprintf(t, "not counted: %s\t%s\t%s\n", tests[i].ID, tests[i].Lot, tests[i].Left)
		}
	}
	return t.Flush()
}
