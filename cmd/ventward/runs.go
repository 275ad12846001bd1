package main

import (
	"encoding/json"
	"fmt"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"ventward/store"
)

func runsCommand(g *global) *cobra.Command {
	var asJSON, all bool
	c := &cobra.Command{
		Use:     "runs",
		Short:   "List stored runs",
		Example: "  ventward runs\n  ventward runs --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			st, err := store.Open(g.data, store.Options{Access: store.Read})
			if err != nil {
				return err
			}
			defer st.Close()
			ms, err := st.Runs(store.Filter{Idle: all})
			if err != nil {
				return err
			}
			w := c.OutOrStdout()
			enc := json.NewEncoder(w)
			t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
			if !asJSON {
				fmt.Fprintln(t, "run\tkind\tstate\tbench\tspecimen\tlot\tshot\tstart\tlasts s\tentries")
			}
			for i := range ms {
				m := &ms[i]
				if asJSON {
					if err := enc.Encode(m); err != nil {
						return err
					}
					continue
				}
				fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%d\t%s\t%.1f\t%d\n", m.ID, m.Kind, m.State, m.Bench, m.Specimen, m.Lot, m.Shot, m.StartUTC().Format(time.RFC3339), lasts(m), m.Entries)
			}
			return t.Flush()
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "JSON lines on standard output")
	c.Flags().BoolVar(&all, "all", false, "also what was kept while nothing was armed")
	return c
}

func lasts(m *store.Meta) float64 {
	if m.End == 0 {
		return 0
	}
	return seconds(m.End - m.Start)
}
