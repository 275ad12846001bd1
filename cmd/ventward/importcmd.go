package main

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/daq"
	"ventward/store"
)

func importCommand(g *global) *cobra.Command {
	var o traceOptions
	var specimen, lot string
	c := &cobra.Command{
		Use:     "import TRACE.csv --bench bench.toml",
		Short:   "Make a recorded trace a stored run",
		Long:    "Stores a trace as a run of its own, with its events, so that it can be replayed, verified and reported like one recorded here.",
		Example: `  ventward import shot.csv --bench bench.toml --specimen B-0412 --lot 2026-07`,
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := o.check(); err != nil {
				return err
			}
			t, err := o.read(args[0])
			if err != nil {
				return err
			}
			b, err := o.describe(t)
			if err != nil {
				return err
			}
			if note := o.overruled(c); note != "" {
				fmt.Fprintln(c.ErrOrStderr(), note)
			}
			st, err := openStore(g.data, b, store.Import)
			if err != nil {
				return err
			}
			defer st.Close()
			id, err := importTrace(c.Context(), st, b, entries(t), store.Meta{Kind: store.KindImport, Bench: b.Name, Source: filepath.Base(args[0]), Specimen: specimen, Lot: lot})
			if err != nil {
				return err
			}
			return json.NewEncoder(c.OutOrStdout()).Encode(map[string]string{"run": id})
		},
	}
	o.flags(c)
	c.Flags().StringVar(&specimen, "specimen", "", "the specimen's identity")
	c.Flags().StringVar(&lot, "lot", "", "the specimen's lot")
	return c
}

// importTrace writes the entries of a trace as a closed run, events included.
func importTrace(ctx context.Context, st *store.Store, b *config.Bench, ens iter.Seq[daq.Entry], m store.Meta) (string, error) {
	now := time.Now()
	m.ID, m.Program, m.Algorithm, m.Start = newRunID(now), version, algorithm, traceStart
	m.EpochUTC = now.UnixNano() - traceStart
	run, err := st.Create(m)
	if err != nil {
		return "", err
	}
	s := setup{Bench: b, Algorithm: algorithm, Start: traceStart}
	eng, err := newEngine(s)
	if err != nil {
		return "", wrongUse{err}
	}
	r := &recording{run: run, meta: m, journal: run, eng: eng}
	if err := r.begin(s, traceStart); err != nil {
		return "", err
	}
	last, n := traceStart, 0
	for en := range ens {
		last = en.At
		r.digest(en)
		if n%64 == 0 {
			drain(run)
		}
		n++
	}
	r.digest(daq.Entry{At: last, Kind: daq.EntryCommand, Command: &daq.Command{Verb: "end", Who: "program"}})
	_, err = run.Close(ctx, store.End{At: last, Note: "end of the trace"})
	return m.ID, err
}

// drain waits until at most half of the queue waits for the disk, for a trace
// is read faster than it is written.
func drain(run *store.Run) {
	for {
		h := run.Health()
		if h.QueueBytes <= h.QueueLimit/2 || h.Err != nil {
			return
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// digest takes an entry as the loop would, with its windows fitted on the spot.
func (r *recording) digest(en daq.Entry) {
	en.N = r.n + 1
	out := r.eng.take(&en)
	r.put(en)
	r.note(en.N, out, -1)
	windows := out.Windows[:len(out.Windows):len(out.Windows)]
	windows = append(windows[:0:0], windows...)
	for _, w := range windows {
		r.digest(daq.Entry{At: en.At, Kind: daq.EntryFinding, Body: findingBody(fit(r.eng.bench, w))})
	}
}

// openStore opens the data directory for writing.
func openStore(dir string, b *config.Bench, access store.Access) (*store.Store, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("%w: name a folder that can be written with --data", err)
	}
	o := store.Options{Access: access}
	if b.Record.CommitS > 0 {
		o.CommitInterval = time.Duration(b.Record.CommitS * 1e9)
	}
	return store.Open(dir, o)
}
