package main

import (
	"encoding/json"
	"fmt"
	"strconv"
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
				fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%d\n", m.ID, m.Kind, m.State, m.Bench, m.Specimen, m.Lot, shotWords(m), m.StartUTC().Format(time.RFC3339), lastsWords(m), m.Entries)
			}
			return t.Flush()
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "JSON lines on standard output")
	c.Flags().BoolVar(&all, "all", false, "also what was kept while nothing was armed")
	return c
}

// shotWords is the shot's number, a dash where none was given.
func shotWords(m *store.Meta) string {
	if m.Shot == 0 {
		return "-"
	}
	return strconv.Itoa(m.Shot)
}

// lastsWords is how long a run lasted, s; a dash while it is being recorded.
func lastsWords(m *store.Meta) string {
	if m.End == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", lasts(m))
}

func lasts(m *store.Meta) float64 {
	if m.End == 0 {
		return 0
	}
	return seconds(m.End - m.Start)
}
