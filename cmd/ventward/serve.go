package main

import (
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/daq"
	"ventward/store"
)

func serveCommand(g *global) *cobra.Command {
	var bench, listen string
	var record bool
	c := &cobra.Command{
		Use:   "serve --bench bench.toml",
		Short: "Watch a real bench",
		Long: `Opens the bench's ports, watches, records and shows it until it is stopped
(Ctrl-C or SIGTERM). On the way out every output is demanded off and read back.`,
		Example: "  ventward serve --bench bench.toml\n  ventward serve --bench bench.toml --record",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			file := watchedDescription(bench)
			b, err := loadBench(bench)
			if err != nil {
				return err
			}
			if listen != "" {
				b.Listen = listen
			}
			return serve(c, g, b, file, record)
		},
	}
	c.Flags().StringVar(&bench, "bench", "", "bench description (TOML)")
	c.Flags().StringVar(&listen, "listen", "", "address of the page, overriding the bench description")
	c.Flags().BoolVar(&record, "record", false, "begin a run at once, without the course of a test")
	c.MarkFlagRequired("bench")
	return c
}

func loadBench(path string) (*config.Bench, error) {
	if path == "" {
		return nil, badUse("--bench is missing: name the bench description")
	}
	b, err := config.Load(path)
	if err != nil {
		return nil, wrongUse{err}
	}
	return b, nil
}

func serve(c *cobra.Command, g *global, b *config.Bench, file *description, record bool) error {
	log, err := g.logger()
	if err != nil {
		return err
	}
	st, err := openStore(g.data, b, store.Daemon)
	if err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(c.Context(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	d, err := newDaemon(daemonOptions{Bench: b, Store: st, Time: machineTime(), Listen: b.Listen, Log: log, File: file})
	if err != nil {
		return errors.Join(err, st.Close())
	}
	if d.addr != "" {
		fmt.Fprintf(c.OutOrStdout(), "page: http://%s/\n", d.addr)
	}
	if record {
		go d.command(ctx, daq.Command{Verb: "record", Who: "program"})
	}
	return errors.Join(d.run(ctx), st.Close())
}
