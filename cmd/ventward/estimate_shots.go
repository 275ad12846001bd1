package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"ventward/analysis/lot"
	"ventward/report"
)

// shotsOptions are those of estimate shots.
type shotsOptions struct {
	confidence, coverage float64
	mean, s, low, high   float64
	asJSON               bool
}

func estimateShotsCommand() *cobra.Command {
	var o shotsOptions
	c := &cobra.Command{
		Use:   "shots",
		Short: "How many shots a statement about a lot takes",
		Long: `Tells how many shots it takes to show, with the given confidence, that at least
the given share of a lot lies within limits: without knowing the distribution
(none of n outside), and, with the mean and spread expected, by tolerance limits
of a normal distribution.`,
		Example: `  ventward estimate shots --confidence 0.95 --coverage 0.99
  ventward estimate shots --mean-barg 28.2 --s-bar 0.47 --low-barg 25 --high-barg 32`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			set := c.Flags().Changed
			var l lot.Limits
			pa := func(name string, v float64) *float64 {
				if !set(name) {
					return nil
				}
				v *= report.PaPerBar
				return &v
			}
			l.Low, l.High = pa("low-barg", o.low), pa("high-barg", o.high)
			if n := set("mean-barg"); n != set("s-bar") || n != l.Any() {
				return badUse("estimate shots: give --mean-barg, --s-bar and a limit (--low-barg, --high-barg) together, or none of them")
			}
			return o.run(l, c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.Float64Var(&o.confidence, "confidence", 0.95, "of the statement")
	f.Float64Var(&o.coverage, "coverage", 0.99, "share of the lot")
	f.Float64Var(&o.mean, "mean-barg", 0, "mean that the lot is expected to have")
	f.Float64Var(&o.s, "s-bar", 0, "standard deviation that it is expected to have")
	f.Float64Var(&o.low, "low-barg", 0, "lower acceptance limit")
	f.Float64Var(&o.high, "high-barg", 0, "upper acceptance limit")
	f.BoolVar(&o.asJSON, "json", false, "JSON on standard output")
	return c
}

// shotsLine is the answer of estimate shots.
type shotsLine struct {
	Confidence  float64  `json:"confidence"`
	Coverage    float64  `json:"coverage"`
	NoneOutside int      `json:"shots_none_outside"` // whatever the distribution
	Extremes    int      `json:"shots_extremes"`     // least and greatest as an interval, whatever the distribution
	Normal      *int     `json:"shots_normal,omitempty"`
	Factor      *float64 `json:"k_allowed,omitempty"` // distance of the mean from the nearer limit, in s
	Absent      string   `json:"absent,omitempty"`
}

func (o *shotsOptions) run(l lot.Limits, w io.Writer) error {
	none, err := lot.FreeSize(o.confidence, o.coverage)
	if err != nil {
		return wrongUse{err}
	}
	extremes, err := lot.FreeSizeTwoSided(o.confidence, o.coverage)
	if err != nil {
		return wrongUse{err}
	}
	out := shotsLine{Confidence: o.confidence, Coverage: o.coverage, NoneOutside: none, Extremes: extremes}
	if l.Any() {
		p, err := lot.Advise(o.mean*report.PaPerBar, o.s*report.PaPerBar, l, o.confidence, o.coverage)
		if err != nil {
			return wrongUse{err}
		}
		out.Factor = &p.K
		if p.Shots > 0 {
			out.Normal = &p.Shots
		} else {
			out.Absent = fmt.Sprintf("not with up to %d shots: the mean lies only %.2f s from the nearer limit", p.Most, p.K)
		}
	}
	if o.asJSON {
		return printJSON(w, out)
	}
	fmt.Fprintf(w, "To show with %.4g %% confidence that at least %.4g %% of a lot lies within limits:\n", 100*o.confidence, 100*o.coverage)
	fmt.Fprintf(w, "  %d shots, none of them outside, whatever the distribution\n", none)
	fmt.Fprintf(w, "  %d shots for the interval from the least to the greatest to hold it, whatever the distribution\n", extremes)
	switch {
	case out.Normal != nil:
		fmt.Fprintf(w, "  %d shots by exact tolerance limits of a normal distribution, if mean and spread come out as expected (k at most %.3f)\n", *out.Normal, *out.Factor)
	case out.Absent != "":
		fmt.Fprintf(w, "  by tolerance limits of a normal distribution: %s\n", out.Absent)
	default:
		fmt.Fprintln(w, "Give --mean-barg, --s-bar and a limit for the number by tolerance limits: it is usually far smaller.")
	}
	return nil
}
