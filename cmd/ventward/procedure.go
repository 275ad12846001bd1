package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ventward/daq"
	"ventward/daq/trace"
)

// procedureCommand is what is done to a bench between shots: it needs typed
// numbers or a recorded trace, never a port.
func procedureCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "procedure",
		Short: "Determine volume, leak rate, zeros, lag and more of a bench from readings",
		Long: `Computes what a bench's own steps determine, from typed readings or from a
recorded trace (CSV), each with its expanded uncertainty (k = 2), and prints the
lines to put into the bench description. It switches nothing, and opens no port but
for shunt --live.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error { return c.Help() },
	}
	c.AddCommand(volumeCommand(), leakCommand(), zeroCommand(), lagCommand(), fingerCommand(), shuntCommand())
	for _, sub := range c.Commands() {
		check := sub.Args
		sub.Args = func(c *cobra.Command, args []string) error {
			if err := check(c, args); err != nil {
				return badUse("%w: %s", err, c.UseLine())
			}
			return nil
		}
	}
	return c
}

// procedureResult is what a procedure prints: people get Text, then the lines for the
// bench description; --json prints Data as one line.
type procedureResult struct {
	Text  []string
	Table string   // of the bench description, with brackets
	Lines []string // of that table
	Data  any
	Bad   bool // the answer is "no"
}

func (o *procedureResult) say(format string, args ...any) {
	o.Text = append(o.Text, fmt.Sprintf(format, args...))
}

func (o *procedureResult) line(format string, args ...any) {
	o.Lines = append(o.Lines, fmt.Sprintf(format, args...))
}

func (o *procedureResult) print(w io.Writer, asJSON bool) error {
	if asJSON {
		if err := json.NewEncoder(w).Encode(map[string]any{"result": o.Data, "ok": !o.Bad, "table": o.Table, "lines": o.Lines}); err != nil {
			return fmt.Errorf("writing the result: %w", err)
		}
	} else {
		for _, s := range o.Text {
			fmt.Fprintln(w, s)
		}
		if len(o.Lines) > 0 {
			fmt.Fprintf(w, "\nFor the bench description:\n\n%s\n%s\n", o.Table, strings.Join(o.Lines, "\n"))
		}
	}
	if o.Bad {
		return errNo
	}
	return nil
}

// traceFlags choose part of a trace.
type traceFlags struct {
	reference  string
	from, to   float64
	ambientBar float64
	channels   []string
	json       bool
}

func (f *traceFlags) add(c *cobra.Command) {
	fl := c.Flags()
	fl.StringVar(&f.reference, "reference", "", "absolute or gauge, for pressures whose unit does not say")
	fl.Float64Var(&f.from, "from", math.Inf(-1), "first time to look at, s")
	fl.Float64Var(&f.to, "to", math.Inf(1), "last time to look at, s")
	fl.Float64Var(&f.ambientBar, "ambient-bar", 1.01325, "ambient pressure, bar absolute, where the trace has no p_ambient")
	fl.StringSliceVar(&f.channels, "channel", nil, "channels to look at (default: all that fit)")
	fl.BoolVar(&f.json, "json", false, "print one line of JSON")
}

// A cut is the part of a trace that a procedure looks at.
type cut struct {
	*trace.Trace
	a, b  int
	flags *traceFlags
}

func (f *traceFlags) read(path string) (*cut, error) {
	if f.reference != "" && f.reference != "absolute" && f.reference != "gauge" {
		return nil, badUse("--reference %q: use absolute or gauge", f.reference)
	}
	if !(f.ambientBar > 0) || math.IsInf(f.ambientBar, 0) {
		return nil, badUse("--ambient-bar %v: give the absolute pressure of the room", f.ambientBar)
	}
	o := traceOptions{reference: f.reference}
	t, err := o.read(path)
	if err != nil {
		return nil, err
	}
	c := &cut{Trace: t, b: len(t.T), flags: f}
	for c.a < c.b && t.Seconds(c.a) < f.from {
		c.a++
	}
	for c.b > c.a && t.Seconds(c.b-1) > f.to {
		c.b--
	}
	if c.a == c.b {
		return nil, badUse("%s: no reading from %g to %g s: the trace goes from %g to %g s", t.Name, f.from, f.to, t.Seconds(0), t.Seconds(len(t.T)-1))
	}
	for _, name := range f.channels {
		if !slices.ContainsFunc(t.Columns, func(c trace.Column) bool { return c.Name == name }) {
			return nil, badUse("--channel %q: %s has no such column", name, t.Name)
		}
	}
	return c, nil
}

// seconds are the times of the cut.
func (c *cut) seconds() []float64 {
	out := make([]float64, 0, c.b-c.a)
	for i := c.a; i < c.b; i++ {
		out = append(out, c.Seconds(i))
	}
	return out
}

// values are the readings of a column in the cut.
func (c *cut) values(col *trace.Column) []float64 { return col.Values[c.a:c.b] }

// find lists the columns of the quantity that are asked for: those named, or else
// those of one of the roles, or else all.
func (c *cut) find(q daq.Quantity, roles ...daq.Role) ([]*trace.Column, error) {
	var named, fit, all []*trace.Column
	for i := range c.Columns {
		col := &c.Columns[i]
		if col.Quantity != q {
			continue
		}
		all = append(all, col)
		if slices.Contains(roles, col.Role) {
			fit = append(fit, col)
		}
		if slices.Contains(c.flags.channels, col.Name) {
			named = append(named, col)
		}
	}
	switch {
	case len(c.flags.channels) > 0 && len(named) < len(c.flags.channels):
		return nil, badUse("--channel %s: not all of them are a %s", strings.Join(c.flags.channels, ","), q)
	case len(named) > 0:
		return named, nil
	case len(fit) > 0:
		return fit, nil
	case len(all) > 0:
		return all, nil
	}
	return nil, badUse("%s: no column is a %s: name it with its unit, for example p1_barg or tc1_C", c.Name, q)
}

// one is find for a procedure that looks at a single channel.
func (c *cut) one(q daq.Quantity, roles ...daq.Role) (*trace.Column, error) {
	cols, err := c.find(q, roles...)
	if err != nil {
		return nil, err
	}
	if len(cols) > 1 {
		names := make([]string, len(cols))
		for i := range cols {
			names[i] = cols[i].Name
		}
		return nil, badUse("%s: choose one of %s with --channel", c.Name, strings.Join(names, ", "))
	}
	return cols[0], nil
}

// ambient is the mean of the trace's barometer in the cut, or --ambient-bar, Pa.
func (c *cut) ambient() float64 {
	for i := range c.Columns {
		if col := &c.Columns[i]; col.Role == daq.RoleBarometer && col.Reference == daq.Absolute {
			if m, ok := mean(c.values(col)); ok {
				return m
			}
		}
	}
	return c.flags.ambientBar * 1e5
}

func mean(v []float64) (m float64, ok bool) {
	n := 0.0
	for _, x := range v {
		if x-x == 0 {
			n++
			m += (x - m) / n
		}
	}
	return m, n > 0
}
