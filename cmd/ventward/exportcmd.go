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
	"ventward/report"
	"ventward/store"
)

// exporter takes a run's samples in the order the loop took them.
type exporter interface {
	// begin is called once, before everything else.
	begin(m *store.Meta, e *engine, w io.Writer) error
	// take sees what an entry led to.
	take(en *daq.Entry, e *engine) error
	// finish writes what is left and returns how many rows the file has and how
	// many readings found no place in it.
	finish(events []report.Line) (rows, leftOut int, err error)
}

// exported is what export --json prints.
type exported struct {
	Run     string `json:"run"`
	File    string `json:"file"`
	Rows    int    `json:"rows"`
	LeftOut int    `json:"left_out"` // readings that have no row of their own in the file
}

func exportCommand(g *global) *cobra.Command {
	var format, out string
	var asJSON bool
	var s selection
	c := &cobra.Command{
		Use:   "export RUN --format parquet|csv -o FILE",
		Short: "Write a stored run's samples for your own tools",
		Long: `Writes the samples of a stored run, computed again from its record.

parquet: one row a sample: channel, unit (Pa, °C, V, A, N), t_ns (from the run's
zero), utc_ns, the raw reading (count or raw), value, and quality in words. Events,
channels and the run's description are in the file's metadata, as JSON.
csv: a trace that "ventward analyze" and "ventward import" take: one row a time of
the fastest pressure's instrument; readings of slower instruments stand in the row
that is nearest in time, and the cells between are empty. Pressures are in bar,
with g (gauge) or a (absolute) as recorded.`,
		Example: `  ventward export 20261125-093012-114-5b1d2c3e --format parquet -o shot.parquet
  ventward export 20261125-093012-114-5b1d2c3e --format csv -o shot.csv --from-s 20 --to-s 30 --channels p1,p2`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			x, err := exporterOf(format)
			if err != nil {
				return err
			}
			if out == "" {
				return badUse("export: name the file to write with -o FILE")
			}
			if !(s.from < s.to) {
				return badUse("--from-s %g --to-s %g: the end must follow the beginning", s.from, s.to)
			}
			done, err := export(g.data, args[0], out, x, &s)
			if err != nil {
				return err
			}
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(done)
			}
			fmt.Fprintf(c.ErrOrStderr(), "ventward: wrote %s: %d rows\n", done.File, done.Rows)
			if done.LeftOut > 0 {
				fmt.Fprintf(c.ErrOrStderr(), "ventward: %d readings found no row of their own in the CSV: --format parquet has them all, or choose one instrument's channels with --channels\n", done.LeftOut)
			}
			return nil
		},
	}
	c.Flags().StringVar(&format, "format", "", "parquet or csv (required)")
	c.Flags().StringVarP(&out, "output", "o", "", "file to write (required)")
	c.Flags().StringSliceVar(&s.channels, "channels", nil, "only these channels, by name")
	c.Flags().Float64Var(&s.from, "from-s", math.Inf(-1), "only from this time of the run on, s")
	c.Flags().Float64Var(&s.to, "to-s", math.Inf(1), "only up to this time of the run, s")
	c.Flags().BoolVar(&asJSON, "json", false, "JSON on standard output")
	return c
}

func exporterOf(format string) (exporter, error) {
	switch format {
	case "parquet":
		return &parquetExport{}, nil
	case "csv":
		return &csvExport{}, nil
	}
	return nil, badUse("--format %q: write parquet or csv", format)
}

// export plays a run into a file.
func export(data, id, out string, x exporter, s *selection) (*exported, error) {
	st, err := store.Open(data, store.Options{Access: store.Read})
	if err != nil {
		return nil, err
	}
	defer st.Close()
	rd, err := st.Reader(id)
	if err != nil {
		return nil, wrongUse{err}
	}
	defer rd.Close()
	done := &exported{Run: id, File: out}
	err = writeWhole(out, func(w io.Writer) error {
		done.Rows, done.LeftOut, err = s.play(rd, x, w)
		return err
	})
	return done, err
}

// selection is what of a run is exported.
type selection struct {
	channels []string
	from, to float64 // s of the run
}

func (s *selection) play(rd *store.Reader, x exporter, w io.Writer) (rows, leftOut int, err error) {
	m := rd.Meta()
	last := map[int]report.Line{}
	begun := false
	var chosen []bool
	_, err = play(rd, nil, func(en *daq.Entry, out *outcome, e *engine) error {
		if !begun {
			begun = true
			if chosen, err = s.choose(e.bench.Channels); err != nil {
				return err
			}
			if err := x.begin(&m, e, w); err != nil {
				return err
			}
		}
		for _, ev := range out.Events {
			last[ev.ID] = report.EventLine(ev, m.Start, e.bench.Channels)
		}
		s.cut(e, chosen, m.Start)
		return x.take(en, e)
	})
	if err != nil {
		return 0, 0, err
	}
	if !begun {
		return 0, 0, wrongUse{fmt.Errorf("run %s holds no entries: there is nothing to export", m.ID)}
	}
	events := make([]report.Line, 0, len(last))
	for _, l := range last {
		l.Run = m.ID
		events = append(events, l)
	}
	slices.SortFunc(events, func(a, b report.Line) int { return a.ID - b.ID })
	return x.finish(events)
}

// choose marks the channels that were asked for.
func (s *selection) choose(chans []daq.Channel) ([]bool, error) {
	chosen := make([]bool, len(chans))
	names := make([]string, len(chans))
	for i := range chans {
		names[i] = chans[i].Name
		chosen[i] = len(s.channels) == 0
	}
	for _, want := range s.channels {
		i := slices.Index(names, want)
		if i < 0 {
			return nil, badUse("--channels: the run has no channel %q: it has %s", want, strings.Join(names, ", "))
		}
		chosen[i] = true
	}
	return chosen, nil
}

// cut leaves only what was asked for of the samples of the entry last taken.
func (s *selection) cut(e *engine, chosen []bool, zero int64) {
	for _, ch := range e.touched {
		if !chosen[ch] {
			e.samples[ch] = nil
			continue
		}
		all := e.samples[ch]
		i, j := 0, len(all)
		for i < j && seconds(all[i].T-zero) < s.from {
			i++
		}
		for j > i && seconds(all[j-1].T-zero) > s.to {
			j--
		}
		e.samples[ch] = all[i:j]
	}
}
