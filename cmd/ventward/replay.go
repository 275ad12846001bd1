package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
	"ventward/report"
	"ventward/store"
)

func replayCommand(g *global) *cobra.Command {
	var speed, bench, page string
	var asJSON bool
	c := &cobra.Command{
		Use:   "replay RUN",
		Short: "Play a stored run through the live calls",
		Long: `Feeds a run's record to the code that ran live, with the recorded rules or with
those of another bench description, and prints events and alarms as they come.
With --page it shows them on the page, as they were seen while the run lasted:
pause, play at another speed and go to another time there. No output is
constructed; a replay demands nothing of any bench.`,
		Example: `  ventward replay 20261125-093012-114-5b1d2c3e --speed max
  ventward replay 20261125-093012-114-5b1d2c3e --speed 10x --bench other.toml
  ventward replay 20261125-093012-114-5b1d2c3e --page`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if page != "" && !c.Flags().Changed("speed") {
				speed = "1x"
			}
			factor, err := parseSpeed(speed)
			if err != nil {
				return err
			}
			var other *config.Bench
			if bench != "" {
				if other, err = config.Load(bench); err != nil {
					return wrongUse{err}
				}
			}
			st, err := store.Open(g.data, store.Options{Access: store.Read})
			if err != nil {
				return err
			}
			defer st.Close()
			ctx, stop := signal.NotifyContext(c.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			if page != "" {
				log, err := g.logger()
				if err != nil {
					return err
				}
				p := &replayPage{store: st, run: args[0], other: other, listen: page, log: log, out: c.OutOrStdout(), json: asJSON, pace: newPacer(factor)}
				return p.serve(ctx)
			}
			r := &replay{run: args[0], factor: factor, other: other, json: asJSON}
			return r.play(ctx, st, c.OutOrStdout())
		},
	}
	c.Flags().StringVar(&speed, "speed", "max", "10x, 1x, ... or max; with --page 1x unless it is given")
	c.Flags().StringVar(&page, "page", "", "show it on a page, at 127.0.0.1:8438 or where --page=ADDRESS says")
	c.Flags().Lookup("page").NoOptDefVal = "127.0.0.1:8438"
	c.Flags().StringVar(&bench, "bench", "", "another bench description whose rules are tried on the run")
	c.Flags().BoolVar(&asJSON, "json", false, "JSON lines on standard output")
	return c
}

// parseSpeed reads 10x, 0.5x, 10 or max (0).
func parseSpeed(s string) (float64, error) {
	if s == "max" {
		return 0, nil
	}
	f, err := strconv.ParseFloat(strings.TrimSuffix(s, "x"), 64)
	if err != nil || !(f > 0) || f > 1e6 {
		return 0, badUse("--speed %q: write 10x, 1x, 0.5x or max", s)
	}
	return f, nil
}

// replay plays one run.
type replay struct {
	run    string
	factor float64 // 0: as fast as possible
	other  *config.Bench
	json   bool

	out    *bufio.Writer
	bench  *config.Bench
	start  int64
	began  time.Time
	first  int64
	events map[int]detect.Event
	fits   bool // another bench: windows are fitted here, recorded findings are not used
}

func (r *replay) play(ctx context.Context, st *store.Store, w io.Writer) error {
	rd, err := st.Reader(r.run)
	if err != nil {
		return wrongUse{err}
	}
	defer rd.Close()
	meta := rd.Meta()
	r.out, r.start, r.events, r.fits = bufio.NewWriter(w), meta.Start, map[int]detect.Event{}, r.other != nil
	if !r.json {
		fmt.Fprintf(r.out, "REPLAY, NOT LIVE: run %s, specimen %s, of %s\n", meta.ID, meta.Specimen, meta.StartUTC().Format(time.RFC3339))
	}
	_, err = play(rd, r.other, func(en *daq.Entry, out *outcome, e *engine) error {
		if r.bench == nil {
			r.bench, r.began, r.first = e.bench, time.Now(), en.At
		}
		if err := r.pace(ctx, en.At); err != nil {
			return err
		}
		r.show(en.At, out, e)
		return nil
	})
	if err != nil {
		return err
	}
	if r.json {
		r.last()
	}
	return r.out.Flush()
}

// pace waits until it is time for an entry of bench time at.
func (r *replay) pace(ctx context.Context, at int64) error {
	if r.factor == 0 {
		return ctx.Err()
	}
	wait := time.Until(r.began.Add(time.Duration(float64(at-r.first) / r.factor)))
	if wait <= 0 {
		return ctx.Err()
	}
	if wait > 20*time.Millisecond {
		r.out.Flush()
	}
	select {
	case <-time.After(wait):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (r *replay) show(at int64, out *outcome, e *engine) {
	for i := range out.Events {
		ev := out.Events[i]
		r.events[ev.ID] = ev
		if !r.json {
			l := report.EventLine(ev, r.start, e.bench.Channels)
			fmt.Fprintf(r.out, "%10.4f s  event %d.%d  %s %s %s  %s\n", l.OnsetS, l.ID, l.Rev, l.Event, l.Fault, l.Feature, pressureWords(l))
		}
	}
	for i := range out.Alarms {
		a := &out.Alarms[i]
		if !r.json && a.State != guard.Normal {
			fmt.Fprintf(r.out, "%10.4f s  alarm %d    %s: %s (%s; replay, not live)\n", seconds(at-r.start), a.ID, a.Priority, a.Message, a.State)
		}
	}
	if !r.fits {
		return
	}
	windows := append([]detect.Window(nil), out.Windows...)
	for _, w := range windows {
		en := daq.Entry{At: at, Kind: daq.EntryFinding, Body: findingBody(fit(e.bench, w))}
		r.show(at, e.take(&en), e)
	}
}

// last prints the last revision of every event.
func (r *replay) last() {
	ids := make([]int, 0, len(r.events))
	for id := range r.events {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	enc := json.NewEncoder(r.out)
	for _, id := range ids {
		l := report.EventLine(r.events[id], r.start, r.bench.Channels)
		l.Run = r.run
		enc.Encode(l) // into memory; Flush reports what the writer says
	}
}
