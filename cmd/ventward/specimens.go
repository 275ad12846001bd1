package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"ventward/dashboard"
	"ventward/record"
	"ventward/record/sheet"
	"ventward/store"
)

// paperCommands are the verbs for what persons enter. They work beside a
// running daemon.
func paperCommands(g *global) []*cobra.Command {
	return []*cobra.Command{intakeCommand(g), specimensCommand(g), setAsideCommand(g), outcomeCommand(g), reviewCommand(g), auditCommand(g)}
}

func intakeCommand(g *global) *cobra.Command {
	var who string
	c := &cobra.Command{
		Use:   "intake specimens.csv",
		Short: "Take a lot's specimens in from a list",
		Long: `Reads a list of specimens and keeps them, so that one is chosen for each shot.
Columns: id, lot, feature (top vent, bottom vent, housing or cell) and optionally
residual_um, die, strokes, medium, trigger, surrounding, temperature_C, note.
Every wrong row is named; the list comes in whole or not at all, and an id that
is known already is refused.`,
		Example: "  ventward intake B-0420.csv --who Mara",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			f, err := os.Open(args[0])
			if err != nil {
				return badUse("%w", err)
			}
			defer f.Close()
			name := filepath.Base(args[0])
			rows, ignored, err := record.ReadSpecimens(f, name)
			if len(ignored) > 0 {
				fmt.Fprintf(c.ErrOrStderr(), "ventward: %s: columns not used: %s\n", name, strings.Join(ignored, ", "))
			}
			if err != nil {
				return wrongUse{err}
			}
			return g.written(func(st *store.Store) error {
				if err := st.AddSpecimens(now(who), name, rows); err != nil {
					return rowsWrong(err)
				}
				fmt.Fprintf(c.OutOrStdout(), "%d specimens taken in\n", len(rows))
				return nil
			})
		},
	}
	whoFlag(c, &who)
	return c
}

// rowsWrong marks problems of a list as bad input.
func rowsWrong(err error) error {
	var rows sheet.Problems
	if errors.As(err, &rows) {
		return wrongUse{err}
	}
	return err
}

// now is who enters something on this machine's clock.
func now(who string) store.By {
	return store.By{Who: dashboard.Attributed(who), AtUTC: time.Now().UnixNano()}
}

func whoFlag(c *cobra.Command, who *string) {
	c.Flags().StringVar(who, "who", "", "who enters it (default: unattributed)")
}

// written opens the data folder beside a daemon and lets f write to it.
func (g *global) written(f func(*store.Store) error) error {
	if err := os.MkdirAll(g.data, 0o755); err != nil {
		return fmt.Errorf("%w: name a folder that can be written with --data", err)
	}
	st, err := store.Open(g.data, store.Options{Access: store.Import})
	if err != nil {
		return err
	}
	return errors.Join(f(st), st.Close())
}

func specimensCommand(g *global) *cobra.Command {
	var f store.SpecimenFilter
	var asJSON bool
	c := &cobra.Command{
		Use:     "specimens",
		Short:   "List the specimens that were taken in, and what became of them",
		Example: "  ventward specimens --lot B-0410\n  ventward specimens --unused --find 0410-1 --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			st, err := store.Open(g.data, store.Options{Access: store.Read})
			if err != nil {
				return err
			}
			defer st.Close()
			all, err := st.Specimens(f)
			if err != nil {
				return err
			}
			return listSpecimens(c.OutOrStdout(), all, asJSON)
		},
	}
	c.Flags().StringVar(&f.Lot, "lot", "", "only this lot")
	c.Flags().StringVar(&f.Text, "find", "", "only ids that hold this text")
	c.Flags().BoolVar(&f.Unused, "unused", false, "only those that can be chosen for a shot")
	c.Flags().BoolVar(&asJSON, "json", false, "JSON lines on standard output")
	return c
}

func listSpecimens(w io.Writer, all []store.SpecimenEntry, asJSON bool) error {
	enc := json.NewEncoder(w)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	if !asJSON {
		fmt.Fprintln(t, "specimen\tlot\tfeature\tresidual µm\tdie\tstrokes\tstatus\trun\treason or remark")
	}
	for i := range all {
		s := specimenLine(&all[i])
		if asJSON {
			if err := enc.Encode(s); err != nil {
				return err
			}
			continue
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", s.ID, s.Lot, s.Feature, figure(s.ResidualUM, "%.1f"), s.Die, figure(s.Strokes, "%.0f"), s.Status, s.Run, s.Reason)
	}
	return t.Flush()
}

// specimenLine is a specimen as lists show it.
func specimenLine(e *store.SpecimenEntry) dashboard.Specimen {
	s := dashboard.Specimen{ID: e.ID, Lot: e.Lot, Feature: e.Feature, Die: e.Die, Strokes: e.Strokes, Medium: e.Medium, Trigger: e.Trigger, Surrounding: e.Surrounding,
		TemperatureC: e.TemperatureC, Note: e.Note, Run: e.Run, Status: dashboard.Unused, Reason: e.Aside}
	if e.ResidualM != nil {
		v := e.ResidualUM()
		s.ResidualUM = &v
	}
	switch {
	case e.Aside != "":
		s.Status = dashboard.Excluded
	case e.Run != "":
		s.Status = dashboard.Shot
		s.Awaits = e.Outcome == nil
	}
	if o := e.Outcome; o != nil {
		s.Outcome = &dashboard.Outcome{Feature: o.Feature, Extent: string(o.Extent), Remark: o.Remark, Who: o.Who, AtUTC: stamped(o.AtUTC)}
		s.Reason = o.Remark
	}
	if r := e.Review; r != nil {
		s.Review = &dashboard.Review{Ruling: string(r.Ruling), Reason: r.Reason, Who: r.Who, AtUTC: stamped(r.AtUTC)}
		s.Reason = bothOf(s.Reason, r.Reason)
		if r.Ruling == record.RuledInvalid {
			s.Status = dashboard.Excluded
		}
	}
	return s
}

func stamped(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339Nano) }

func setAsideCommand(g *global) *cobra.Command {
	var who, reason string
	c := &cobra.Command{
		Use:     "set-aside SPECIMEN --reason WHY",
		Short:   "Exclude an unused specimen, with a reason; an empty reason takes it back",
		Example: `  ventward set-aside B-0410-07 --reason "dropped, base dented" --who Mara`,
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := need(c, "reason"); err != nil {
				return err
			}
			return g.written(func(st *store.Store) error { return entered(st.SetAside(now(who), args[0], strings.TrimSpace(reason))) })
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why; it stands in every list")
	whoFlag(c, &who)
	return c
}

// entered marks a refused entry as bad input; trouble with the disk stays what
// it is.
func entered(err error) error {
	if err == nil || errors.Is(err, store.ErrDisk) || errors.Is(err, store.ErrDiskFull) {
		return err
	}
	return wrongUse{err}
}

func outcomeCommand(g *global) *cobra.Command {
	var o record.Outcome
	var extent, who string
	c := &cobra.Command{
		Use:   "outcome RUN --extent E [--feature F]",
		Short: "Enter what was found on the specimen after a shot",
		Long: `A pressure alone does not tell which feature opened: somebody looks at the
specimen. The next shot waits for the outcome of the one before.
Extents: full, partial, torn (outside the score), held (nothing opened),
untested (no pressure was put on; the specimen may be used again).`,
		Example: `  ventward outcome 20261125-093012-114-5b1d2c3e --feature "bottom vent" --extent full --who Mara`,
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := need(c, "extent"); err != nil {
				return err
			}
			by := now(who)
			o.Run, o.Extent, o.Who, o.AtUTC = args[0], record.Extent(extent), by.Who, by.AtUTC
			return g.written(func(st *store.Store) error { return entered(st.PutOutcome(o)) })
		},
	}
	c.Flags().StringVar(&extent, "extent", "", "full, partial, torn, held or untested")
	c.Flags().StringVar(&o.Feature, "feature", "", "that opened: top vent, bottom vent, housing or cell")
	c.Flags().StringVar(&o.Remark, "remark", "", "what else was seen")
	whoFlag(c, &who)
	return c
}

func reviewCommand(g *global) *cobra.Command {
	var r record.Review
	var ruling, who string
	c := &cobra.Command{
		Use:     "review RUN --ruling R [--reason WHY]",
		Short:   "Say whether a shot counts: valid, remark (valid with one) or invalid",
		Example: `  ventward review 20261125-093012-114-5b1d2c3e --ruling invalid --reason "clamp slipped" --who Noor`,
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := need(c, "ruling"); err != nil {
				return err
			}
			by := now(who)
			r.Run, r.Ruling, r.Who, r.AtUTC = args[0], record.Ruling(ruling), by.Who, by.AtUTC
			return g.written(func(st *store.Store) error { return entered(st.PutReview(r)) })
		},
	}
	c.Flags().StringVar(&ruling, "ruling", "", "valid, remark or invalid")
	c.Flags().StringVar(&r.Reason, "reason", "", "needed with remark and invalid; it stands in the report")
	whoFlag(c, &who)
	return c
}

func auditCommand(g *global) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "audit",
		Short:   "List what was entered, by whom and when, and check the chain; exit 1 when it is damaged",
		Example: "  ventward audit\n  ventward audit --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			st, err := store.Open(g.data, store.Options{Access: store.Read})
			if err != nil {
				return err
			}
			defer st.Close()
			rows, err := st.Audit()
			if err != nil {
				return err
			}
			w := c.OutOrStdout()
			enc := json.NewEncoder(w)
			t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
			for i := range rows {
				r := &rows[i]
				if asJSON {
					if err := enc.Encode(r); err != nil {
						return err
					}
					continue
				}
				fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\n", r.N, stamped(r.AtUTC), r.Who, r.Verb, r.Subject, r.Detail)
			}
			if err := t.Flush(); err != nil {
				return err
			}
			if err := record.CheckChain(rows); err != nil {
				fmt.Fprintln(c.ErrOrStderr(), "ventward:", err)
				return errNo
			}
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "JSON lines on standard output")
	return c
}
