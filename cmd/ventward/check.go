package main

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/daq"
	"ventward/guard"
)

func checkCommand() *cobra.Command {
	var bench string
	var ports bool
	var seconds float64
	c := &cobra.Command{
		Use:   "check --bench bench.toml",
		Short: "Tell everything that is wrong with a bench description",
		Long: `Reads a bench description and lists all its problems at once. With --ports it
also opens the ports that carry no output and shows live values; ports that
carry outputs are never opened, for opening a port raises its control lines.`,
		Example: "  ventward check --bench bench.toml --ports",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			b, err := loadBench(bench)
			if err != nil {
				return err
			}
			w := c.OutOrStdout()
			for _, p := range b.Warnings(time.Now().Format("2006-01-02")) {
				fmt.Fprintln(w, "warning:", p)
			}
			fmt.Fprintf(w, "%s: %d instruments, %d channels, %d outputs, %d rules: nothing wrong\n", bench, len(b.Instruments), len(b.Channels), len(b.Outputs), len(b.Guard.Rules))
			if !ports {
				return nil
			}
			return checkPorts(w, b, time.Duration(seconds*1e9))
		},
	}
	c.Flags().StringVar(&bench, "bench", "", "bench description (TOML)")
	c.Flags().BoolVar(&ports, "ports", false, "open the ports that carry no output and show live values")
	c.Flags().Float64Var(&seconds, "seconds", 3, "how long to listen")
	c.MarkFlagRequired("bench")
	return c
}

// checkPorts listens to the instruments that carry no output and prints what
// they say.
func checkPorts(w io.Writer, b *config.Bench, d time.Duration) error {
	in, tb := newInbox(), machineTime()
	eng, err := newEngine(setup{Bench: b})
	if err != nil {
		return err
	}
	carries := map[int]bool{}
	for _, o := range b.Outputs {
		carries[o.Instrument] = true
	}
	var failed error
	for i := range b.Instruments {
		if carries[i] {
			fmt.Fprintf(w, "%s: not opened, it carries outputs\n", b.Instruments[i].Name)
			continue
		}
		ln, err := newLine(i, b.Instruments[i], in, tb, zerolog.Nop())
		if err == nil {
			err = ln.open()
		}
		if err != nil {
			fmt.Fprintf(w, "%s: %v\n", b.Instruments[i].Name, err)
			failed = fmt.Errorf("not every port could be opened")
			continue
		}
		defer ln.close()
		defer func() {
			n := ln.health().counters
			fmt.Fprintf(w, "%s: %d rows, %d bad messages, %d rows lost by the device's own count\n", ln.inst.Name, n.Rows, n.Bad, n.LostRows)
		}()
	}
	for end := time.After(d); ; {
		select {
		case bt := <-in.batches:
			eng.take(&daq.Entry{At: tb.Now(), Kind: daq.EntryBatch, Batch: bt})
			continue
		case <-in.urgent:
			continue
		case <-end:
		}
		break
	}
	printNewest(w, eng)
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
