package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"ventward/store"
)

// A lotRow is one lot of which runs are stored.
type lotRow struct {
	Lot       string   `json:"lot"`
	Features  []string `json:"features,omitempty"` // under test
	Runs      int      `json:"runs"`
	Open      int      `json:"open"`        // still being recorded
	Cut       int      `json:"interrupted"` // ended by a kill or a fault
	Simulated int      `json:"simulated"`   // on a simulated bench
	First     string   `json:"first_utc"`
	Last      string   `json:"last_utc"`
}

func lotsCommand(g *global) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "lots",
		Short:   "List the lots of which runs are stored",
		Example: "  ventward lots\n  ventward lots --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			st, err := store.Open(g.data, store.Options{Access: store.Read})
			if err != nil {
				return err
			}
			defer st.Close()
			ms, err := st.Runs(store.Filter{})
			if err != nil {
				return err
			}
			w := c.OutOrStdout()
			if asJSON {
				enc := json.NewEncoder(w)
				for _, r := range lotRows(ms) {
					if err := enc.Encode(r); err != nil {
						return err
					}
				}
				return nil
			}
			t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
			fmt.Fprintln(t, "lot\tunder test\truns\tinterrupted\tsimulated\tfirst\tlast")
			for _, r := range lotRows(ms) {
				fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%d\t%s\t%s\n", r.Lot, strings.Join(r.Features, ", "), r.Runs, r.Cut, r.Simulated, r.First, r.Last)
			}
			return t.Flush()
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "JSON lines on standard output")
	return c
}

// lotRows counts runs by lot, in the order of the lots' names.
func lotRows(ms []store.Meta) []lotRow {
	at := map[string]int{}
	var out []lotRow
	for i := range ms {
		m := &ms[i]
		if m.Kind == store.KindIdle || m.Lot == "" {
			continue
		}
		k, ok := at[m.Lot]
		when := m.StartUTC().Format(time.RFC3339)
		if !ok {
			k = len(out)
			at[m.Lot] = k
			out = append(out, lotRow{Lot: m.Lot, First: when, Last: when})
		}
		r := &out[k]
		r.Runs++
		r.First, r.Last = min(r.First, when), max(r.Last, when)
		if m.Feature != "" && !slices.Contains(r.Features, m.Feature) {
			r.Features = append(r.Features, m.Feature)
		}
		switch m.State {
		case store.StateOpen:
			r.Open++
		case store.StateInterrupted:
			r.Cut++
		}
		if m.Simulated {
			r.Simulated++
		}
	}
	slices.SortFunc(out, func(a, b lotRow) int { return strings.Compare(a.Lot, b.Lot) })
	return out
}
