package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/daq"
	"ventward/guard"
)

// enterFlags are those of enter.
type enterFlags struct {
	bench, who, date, until, method, from string
	leak                                  float64
}

func enterCommand(g *global) *cobra.Command {
	f := &enterFlags{}
	c := &cobra.Command{
		Use:   "enter zero|leak|dump|proof [CHANNEL or RULE] --bench bench.toml --who NAME",
		Short: "Enter what was done to a bench between tests, so that it may be armed",
		Long: `Enters what a person did, with its date: that a channel's zero was read with the line
open to air, the leak rate that was found, that the dump valve was opened and shut by
hand, or that the trip of a rule was tested to its last element, with the date of the
next test. It cures the arming guard that asks for it, at once where a daemon runs on
the same data folder, and stays in the record of every run. It switches nothing.

--from takes what procedure leak or procedure zero printed with --json. A volume is not
entered: it is part of every result, so it stands in the bench description.`,
		Example: `  ventward enter proof "Specimen pressure high" --until 2027-05-24 --bench bench.toml --who "A. Rahn"
  ventward procedure leak hold.csv --json | ventward enter leak --from - --bench bench.toml --who "A. Rahn"
  ventward enter dump --bench bench.toml --who "A. Rahn"`,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(c *cobra.Command, args []string) error { return f.enter(c, g, args) },
	}
	fl := c.Flags()
	fl.StringVar(&f.bench, "bench", "", "bench description (TOML)")
	fl.StringVar(&f.who, "who", "", "name of the person who did it")
	fl.StringVar(&f.date, "date", time.Now().UTC().Format(time.DateOnly), "day on which it was done (UTC)")
	fl.StringVar(&f.until, "until", "", "day until which it counts; of a proof test, when the next is due")
	fl.StringVar(&f.method, "method", "", "how it was done")
	fl.StringVar(&f.from, "from", "", "result of a procedure (JSON); - for standard input")
	fl.Float64Var(&f.leak, "mbar-s", 0, "leak rate, mbar/s")
	c.MarkFlagRequired("bench")
	c.MarkFlagRequired("who")
	return c
}

func (f *enterFlags) enter(c *cobra.Command, g *global, args []string) error {
	b, err := loadBench(f.bench)
	if err != nil {
		return err
	}
	if strings.TrimSpace(f.who) == "" {
		return badUse("--who is empty: name the person who did it")
	}
	base := map[string]string{"what": args[0], "date": f.date, "until": f.until, "method": f.method}
	if len(args) == 2 {
		base["subject"] = args[1]
	}
	if c.Flags().Changed("mbar-s") {
		base["value"] = strconv.FormatFloat(f.leak*100, 'g', -1, 64)
	}
	all := []map[string]string{base}
	if f.from != "" {
		if all, err = f.results(c.InOrStdin(), base, b); err != nil {
			return err
		}
	}
	for _, a := range all {
		for k, v := range a {
			if v == "" {
				delete(a, k)
			}
		}
		if err := b.Guard.CheckEntry(daq.Command{Verb: "enter", Who: f.who, Args: a}); err != nil {
			return wrongUse{err}
		}
	}
	if f.date > time.Now().UTC().Format(time.DateOnly) {
		return badUse("--date %s is still to come: give the day on which it was done", f.date)
	}
	if err := os.MkdirAll(g.data, 0o755); err != nil {
		return fmt.Errorf("%w: name a folder that can be written with --data", err)
	}
	for _, a := range all {
		if _, err := appendEntered(filepath.Join(g.data, enteredFile), b.Name, daq.Command{Who: f.who, Args: a}); err != nil {
			return fmt.Errorf("entering: %w", err)
		}
		fmt.Fprintf(c.OutOrStdout(), "entered for bench %q: %s\n", b.Name, strings.TrimSpace(a["what"]+" "+a["subject"]))
	}
	return nil
}

// results reads what a procedure printed.
func (f *enterFlags) results(in io.Reader, base map[string]string, b *config.Bench) ([]map[string]string, error) {
	if f.from != "-" {
		file, err := os.Open(f.from)
		if err != nil {
			return nil, err
		}
		defer file.Close()
		in = file
	}
	var p struct {
		OK     bool            `json:"ok"`
		Result json.RawMessage `json:"result"`
	}
	if err := json.NewDecoder(io.LimitReader(in, 1<<20)).Decode(&p); err != nil {
		return nil, badUse("--from %s: %w: give what procedure printed with --json", f.from, err)
	}
	if !p.OK {
		return nil, badUse("--from %s: the procedure's answer was no: repeat it before you enter it", f.from)
	}
	with := func(kv ...string) map[string]string {
		out := map[string]string{}
		for k, v := range base {
			out[k] = v
		}
		for i := 0; i < len(kv); i += 2 {
			out[kv[i]] = kv[i+1]
		}
		return out
	}
	switch base["what"] {
	case guard.EnterLeak:
		var r struct {
			Rate *float64 `json:"rate_bar_s"`
		}
		if err := json.Unmarshal(p.Result, &r); err != nil || r.Rate == nil {
			return nil, badUse("--from %s: holds no leak rate: give what procedure leak printed with --json", f.from)
		}
		return []map[string]string{with("value", strconv.FormatFloat(*r.Rate*1e5, 'g', -1, 64))}, nil
	case guard.EnterZero:
		var rs []zeroResult
		if err := json.Unmarshal(p.Result, &rs); err != nil {
			return nil, badUse("--from %s: holds no zeros: give what procedure zero printed with --json", f.from)
		}
		var all []map[string]string
		for i := range rs {
			specimen := slices.ContainsFunc(b.Channels, func(c daq.Channel) bool { return c.Name == rs[i].Channel && c.IsPressure() })
			if rs[i].Refused == "" && specimen {
				all = append(all, with("subject", rs[i].Channel, "value", strconv.FormatFloat(rs[i].Pa.Value, 'g', -1, 64)))
			}
		}
		if len(all) == 0 {
			return nil, badUse("--from %s: holds no zero of a specimen channel: take them with procedure zero", f.from)
		}
		return all, nil
	}
	return nil, badUse("--from is for leak and zero: leave it out")
}
