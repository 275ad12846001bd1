package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/guard"
)

func checkCommand() *cobra.Command {
	var bench string
	var ports, asJSON bool
	var seconds float64
	c := &cobra.Command{
		Use:   "check --bench bench.toml",
		Short: "Tell everything that is wrong with a bench description",
		Long: `Reads a bench description and lists all its problems at once. With --ports it
also opens the ports that carry no output and shows live values; ports that
carry outputs are never opened, for opening a port raises its control lines.

For each rule that trips it adds up the worst-case time from the sensor to the
output, and how far the pressure rises meanwhile at the intended ramp; for each
transducer what lag and sampling may hide of a peak. An instrument that is too slow
for the ramp is refused unless the description says who accepted it.`,
		Example: "  ventward check --bench bench.toml --ports",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			if asJSON && ports {
				return badUse("--json goes without --ports: live values are for people")
			}
			b, err := loadBench(bench)
			if err != nil {
				return err
			}
			w := c.OutOrStdout()
			warnings := b.Warnings(time.Now().Format("2006-01-02"))
			if asJSON {
				return checkJSON(w, b, warnings)
			}
			for _, p := range warnings {
				fmt.Fprintln(w, "warning:", p)
			}
			printTiming(w, b)
			fmt.Fprintf(w, "%s: %d instruments, %d channels, %d outputs, %d rules: nothing wrong\n", bench, len(b.Instruments), len(b.Channels), len(b.Outputs), len(b.Guard.Rules))
			if !ports {
				return nil
			}
			return checkPorts(w, b, time.Duration(seconds*1e9))
		},
	}
	c.Flags().StringVar(&bench, "bench", "", "bench description (TOML)")
	c.Flags().BoolVar(&ports, "ports", false, "open the ports that carry no output and show live values")
	c.Flags().BoolVar(&asJSON, "json", false, "print warnings, worst-case times and possible losses as JSON lines")
	c.Flags().Float64Var(&seconds, "seconds", 3, "how long to listen")
	c.MarkFlagRequired("bench")
	return c
}

// checkJSON prints what check has to say as JSON lines.
func checkJSON(w io.Writer, b *config.Bench, warnings config.Problems) error {
	enc := json.NewEncoder(w)
	var lines []map[string]any
	for i := range warnings {
		lines = append(lines, map[string]any{"warning": warnings[i]})
	}
	for _, p := range b.Paths() {
		lines = append(lines, map[string]any{"path": p})
	}
	for _, l := range b.PeakLosses() {
		lines = append(lines, map[string]any{"peak_loss": l})
	}
	lines = append(lines, map[string]any{"summary": map[string]int{"instruments": len(b.Instruments), "channels": len(b.Channels), "outputs": len(b.Outputs),
		"rules": len(b.Guard.Rules), "warnings": len(warnings)}})
	for _, l := range lines {
		if err := enc.Encode(l); err != nil {
			return fmt.Errorf("writing the result: %w", err)
		}
	}
	return nil
}

// printTiming prints the worst-case times of the rules that trip, and what the
// instruments may hide of a peak.
func printTiming(w io.Writer, b *config.Bench) {
	if paths := b.Paths(); len(paths) > 0 {
		fmt.Fprintln(w, "Worst-case times from sensor to output (no guarantee: a computer that stops has none; the hardware watchdog is for that):")
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "rule\tchannel\toutput\ttold after\tread back after\trise\tlargest part")
		for _, p := range paths {
			rise := "-"
			if p.RisePa > 0 {
				rise = fmt.Sprintf("%.3g bar", p.RisePa/1e5)
			}
			most := slices.MaxFunc(p.Spans, func(a, b config.Span) int { return cmp.Compare(a.Seconds, b.Seconds) })
			fmt.Fprintf(t, "%s\t%s\t%s\t%.3f s\t%.3f s\t%s\t%s (%.3f s)\n", p.Rule, p.Channel, p.Output, p.TotalS, p.ConfirmS, rise, most.What, most.Seconds)
		}
		t.Flush()
		for _, p := range paths {
			if p.Note != "" {
				fmt.Fprintf(w, "%s: %s\n", p.Rule, p.Note)
				break
			}
		}
	}
	for _, l := range b.PeakLosses() {
		fmt.Fprintf(w, "%s: at %.3g bar/s a peak may be up to %.3g bar higher than recorded (%.2g %% of full scale)\n", l.Channel, l.RampPaS/1e5, l.LossPa/1e5, 100*l.Part)
	}
	if b.WatchdogS > 0 {
		fmt.Fprintf(w, "If this program or its computer dies, the watchdog relay opens %.3g s after the last edge.\n", b.WatchdogS)
	}
}

// checkPorts listens to the instruments that carry no output and prints what
// they say.
func checkPorts(w io.Writer, b *config.Bench, d time.Duration) error {
	l, err := newListener(b)
	if err != nil {
		return err
	}
	defer l.close()
	var failed error
	for i := range b.Instruments {
		name := b.Instruments[i].Name
		if l.carries(i) {
			fmt.Fprintf(w, "%s: not opened, it carries outputs\n", name)
			continue
		}
		if err := l.open(i); err != nil {
			fmt.Fprintf(w, "%s: %v\n", name, err)
			failed = fmt.Errorf("not every port could be opened")
		}
	}
	l.listen(d, nil, nil)
	printNewest(w, l.eng)
	for _, ln := range l.lines {
		n := ln.health().counters
		fmt.Fprintf(w, "%s: %d rows, %d bad messages, %d rows lost by the device's own count\n", ln.inst.Name, n.Rows, n.Bad, n.LostRows)
	}
	return failed
}

func printNewest(w io.Writer, eng *engine) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "channel\tvalue\tunit\tquality")
	for i := range eng.newest {
		n, c := &eng.newest[i], &eng.bench.Channels[i]
		if n.T == 0 {
			fmt.Fprintf(t, "%s\t-\t\tno reading\n", c.Name)
			continue
		}
		v, unit := guard.Edge(c.Quantity, n.V)
		fmt.Fprintf(t, "%s\t%.5g\t%s %s\t%s\n", c.Name, v, unit, c.Reference, n.Q)
	}
	t.Flush()
}
