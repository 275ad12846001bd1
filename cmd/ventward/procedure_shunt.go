package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/daq"
	"ventward/daq/calib"
	"ventward/guard"
)

// Bounds of a live shunt check.
const (
	shuntSettleS = 0.5              // after the shunt was switched: converter and filter follow
	shuntLeast   = 3                // readings that make a mean
	shuntWait    = 10 * time.Minute // for the person at the bridge
)

// shuntFlags are what somebody gives for a shunt check: two typed readings, or
// the wish to read them off the line.
type shuntFlags struct {
	bench, channel string
	before, after  float64
	live, json     bool
	seconds        float64
}

func shuntCommand() *cobra.Command {
	f := &shuntFlags{}
	c := &cobra.Command{
		Use:   "shunt --bench bench.toml --channel NAME {--before X --after Y | --live}",
		Short: "Shunt check of a strain-gauge bridge",
		Long: `Compares the change of a bridge's reading, as its calibration shunt is closed, with
what the bench description says. The readings are typed, in the channel's unit as
shown on the page (bar, N); or, with --live, taken from the bridge's own port, before
and after you close the shunt. A port that carries outputs, or that ` + "`serve`" + ` has
open, is not opened: type what the page shows. Do it without pressure.`,
		Example: `  ventward procedure shunt --bench bench.toml --channel p1 --before 0.02 --after 26.21
  ventward procedure shunt --bench bench.toml --channel p1 --live`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			typed := c.Flags().Changed("before") && c.Flags().Changed("after")
			if typed == f.live || f.live && (c.Flags().Changed("before") || c.Flags().Changed("after")) {
				return badUse("give either --before and --after, or --live: %s", c.UseLine())
			}
			o, err := f.check(c.InOrStdin(), c.ErrOrStderr())
			if err != nil {
				return err
			}
			return o.print(c.OutOrStdout(), f.json)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.bench, "bench", "", "bench description (TOML)")
	fl.StringVar(&f.channel, "channel", "", "the bridge's channel")
	fl.Float64Var(&f.before, "before", 0, "reading with the shunt open")
	fl.Float64Var(&f.after, "after", 0, "reading with the shunt closed")
	fl.BoolVar(&f.live, "live", false, "read both from the bridge's port")
	fl.Float64Var(&f.seconds, "seconds", 2, "how long each reading is averaged with --live")
	fl.BoolVar(&f.json, "json", false, "print one line of JSON")
	for _, name := range []string{"bench", "channel"} {
		c.MarkFlagRequired(name)
	}
	return c
}

func (f *shuntFlags) check(in io.Reader, ask io.Writer) (*procedureResult, error) {
	b, err := loadBench(f.bench)
	if err != nil {
		return nil, err
	}
	ch := channelNamed(b, f.channel)
	if ch == nil || ch.Curve.Kind != calib.Bridge {
		return nil, badUse("--channel %q: the bench has no bridge of that name", f.channel)
	}
	if ch.Curve.ShuntMVV == 0 {
		return nil, badUse("channel %q: the bench states no shunt_mV_per_V: take it from the transducer's certificate", f.channel)
	}
	if f.live {
		if err := f.read(b, in, ask); err != nil {
			return nil, err
		}
	}
	one, unit := guard.Edge(ch.Quantity, 1)
	perUnit := 1 / (one * ch.Curve.Gain) // mV/V for one of the shown unit
	s, err := ch.Curve.CheckShunt(f.before*perUnit, f.after*perUnit)
	if s.Error == 0 && err != nil {
		return nil, wrongUse{err}
	}
	o := &procedureResult{Data: s}
	o.say("%s: the reading changed by %.5g %s, %.4g mV/V; expected %.4g mV/V: %+.2f %%", f.channel, f.after-f.before, unit, s.After-s.Before, s.Expected, 100*s.Error)
	if o.Bad = err != nil; o.Bad {
		o.say("%v", err)
	}
	return o, nil
}

// read takes both readings from the bridge's port, the second one after a person
// has closed the shunt.
func (f *shuntFlags) read(b *config.Bench, in io.Reader, ask io.Writer) error {
	if !(f.seconds > 0 && f.seconds <= 600) {
		return badUse("--seconds %v: give 0.5 to 600 s", f.seconds)
	}
	// What is added for the ambient pressure is in both readings alike, so that the
	// stated one does: the barometer may be on a port that isn't opened.
	if cv := &channelNamed(b, f.channel).Curve; cv.Barometer != "" {
		cv.Barometer, cv.AmbientPa = "", b.Detect.Fixture.AmbientPa
	}
	l, err := newListener(b)
	if err != nil {
		return err
	}
	defer l.close()
	if err := f.open(l); err != nil {
		return err
	}
	if f.before, err = f.mean(l, ask, "open"); err != nil {
		return err
	}
	fmt.Fprintf(ask, "Close the shunt of %s, then press Enter.\n", f.channel)
	pressed := make(chan error, 1)
	go func() {
		_, err := bufio.NewReader(in).ReadString('\n')
		pressed <- err
	}()
	enter, stop := error(nil), make(chan struct{})
	go func() {
		defer close(stop)
		select {
		case enter = <-pressed:
		case <-time.After(shuntWait):
			enter = errors.New("nobody pressed Enter for 10 minutes")
		}
	}()
	l.listen(2*shuntWait, stop, nil)
	if enter != nil {
		return fmt.Errorf("shunt check of %s: it ended before the shunt was closed: %w: start it again", f.channel, enter)
	}
	if f.after, err = f.mean(l, ask, "closed"); err != nil {
		return err
	}
	fmt.Fprintf(ask, "Open the shunt of %s again.\n", f.channel)
	return nil
}

// open opens the ports that the bridge's value comes from: its own and, where it
// is another, that of its excitation.
func (f *shuntFlags) open(l *listener) error {
	names := []string{f.channel}
	ch := channelNamed(l.eng.bench, f.channel)
	if e := ch.Curve.Helper(); e != "" {
		names = append(names, e)
	}
	done := map[int]bool{}
	for _, name := range names {
		i := channelNamed(l.eng.bench, name).Instrument
		if done[i] {
			continue
		}
		done[i] = true
		if err := l.open(i); err != nil {
			return fmt.Errorf("instrument %q of channel %q: %w: read the values off the page, and give them with --before and --after", l.eng.bench.Instruments[i].Name, name, err)
		}
	}
	return nil
}

// mean is the mean of the bridge's sound readings over the stated time, in the
// unit that people see.
func (f *shuntFlags) mean(l *listener, ask io.Writer, shunt string) (float64, error) {
	b := l.eng.bench
	id := 0
	for b.Channels[id].Name != f.channel {
		id++
	}
	l.listen(time.Duration(shuntSettleS*1e9), nil, nil)
	var n, bad int
	var m, ss float64
	l.listen(time.Duration(f.seconds*1e9), nil, func() {
		for _, ch := range l.eng.touched {
			if int(ch) != id {
				continue
			}
			for _, s := range l.eng.samples[ch] {
				if s.Q&(daq.Bad|daq.Saturated) != 0 || s.V-s.V != 0 {
					bad++
					continue
				}
				v, _ := guard.Edge(b.Channels[id].Quantity, s.V)
				n++
				d := v - m
				m += d / float64(n)
				ss += d * (v - m)
			}
		}
	})
	if n < shuntLeast {
		return 0, fmt.Errorf("shunt check: %d sound readings of %s in %g s, %d unsound ones (%s): see `ventward check --ports`, or listen longer with --seconds", n, f.channel, f.seconds, bad, l.eng.newest[id].Q)
	}
	_, unit := guard.Edge(b.Channels[id].Quantity, 0)
	fmt.Fprintf(ask, "%s with the shunt %s: %.5g %s, noise %.2g %s, %d readings\n", f.channel, shunt, m, unit, math.Sqrt(ss/float64(n-1)), unit, n)
	return m, nil
}
