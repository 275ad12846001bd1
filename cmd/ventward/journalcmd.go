package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ventward/dashboard"
	"ventward/store"
	"ventward/stream"
)

func journalCommand(g *global) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "journal RUN",
		Short: "List who did what in a stored run, and what it led to",
		Long: `Lists, oldest first, what happened in a stored run besides its readings and
events: commands with who gave them and why they were refused, alarms and who
answered them, trips and which came first, bypasses with reason and end, the
course of the test, and what was demanded of outputs. Times are seconds from the
run's time zero. It is computed from the record, as replay does.`,
		Example: `  ventward journal 20261125-093012-114-5b1d2c3e
  ventward journal 20261125-093012-114-5b1d2c3e --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			st, err := store.Open(g.data, store.Options{Access: store.Read})
			if err != nil {
				return err
			}
			defer st.Close()
			if _, err := st.Meta(args[0]); err != nil {
				return wrongUse{err}
			}
			j, err := journalOf(c.Context(), st, args[0])
			if err != nil {
				return err
			}
			if asJSON {
				return writeJournal(c.OutOrStdout(), j)
			}
			return printJournal(c.OutOrStdout(), j)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "JSON lines on standard output, as the notes of /api/v1/runs/{id}/journal")
	return c
}

func writeJournal(w io.Writer, j *dashboard.Journal) error {
	out := bufio.NewWriter(w)
	enc := json.NewEncoder(out)
	for i := range j.Notes {
		if err := enc.Encode(j.Line(i)); err != nil {
			return err
		}
	}
	return out.Flush()
}

func printJournal(w io.Writer, j *dashboard.Journal) error {
	if j.Algorithm != j.Recorded {
		fmt.Fprintf(w, "recorded with algorithm %d, computed with algorithm %d: alarms and trips may differ from what the bench did\n", j.Recorded, j.Algorithm)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "s\tkind\twhat\tof\tby\t")
	for i := range j.Notes {
		n := &j.Notes[i]
		fmt.Fprintf(t, "%.3f\t%s\t%s\t%s\t%s\t%s\n", seconds(n.At-j.Start), n.Kind, n.What, n.Subject, n.Who, remark(n, j.Start))
	}
	return t.Flush()
}

// remark is what else a note says.
func remark(n *stream.Note, start int64) string {
	var parts []string
	if n.First {
		parts = append(parts, "FIRST")
	}
	if n.Priority != "" {
		parts = append(parts, string(n.Priority))
	}
	if n.Text != "" && n.Kind != stream.NoteTrip {
		parts = append(parts, n.Text)
	}
	if n.Reason != "" {
		parts = append(parts, n.Reason)
	}
	if n.Until != 0 {
		parts = append(parts, fmt.Sprintf("until %.0f s", seconds(n.Until-start)))
	}
	return strings.Join(parts, "; ")
}
