package guard

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ventward/daq"
)

// What a person does between tests and enters, by the argument what of the
// command enter. A volume is not among them: it enters every result, so it
// stands in the bench description.
const (
	EnterZero  = "zero"  // subject: a specimen channel, read with its line open to air
	EnterLeak  = "leak"  // value: leak rate, Pa/s
	EnterDump  = "dump"  // the hand-operated dump valve was opened and shut
	EnterProof = "proof" // subject: a rule whose trip was tested; until: the next test is due
)

// EnterWhats lists what can be entered.
func EnterWhats() []string { return []string{EnterZero, EnterLeak, EnterDump, EnterProof} }

// Entered is what a person did and stated.
type Entered struct {
	Date   string   `json:"date"`            // YYYY-MM-DD on which it was done
	Until  string   `json:"until,omitempty"` // YYYY-MM-DD until which it counts; empty: as the bench states
	Value  *float64 `json:"value,omitempty"` // in SI
	Who    string   `json:"who,omitempty"`
	Method string   `json:"method,omitempty"`
}

// CheckEntry says what is wrong with the arguments of the command enter for a
// bench with these options, apart from its date being still to come.
func (o *Options) CheckEntry(c daq.Command) error {
	_, _, err := o.entry(c)
	return err
}

// entry reads the arguments of the command enter and returns under which key
// they are kept.
func (o *Options) entry(c daq.Command) (key string, e Entered, err error) {
	a := c.Args
	what, subject := a["what"], a["subject"]
	if !slices.Contains(EnterWhats(), what) {
		return "", e, fmt.Errorf("enter: what = %q can't be entered: use %s", what, strings.Join(EnterWhats(), ", "))
	}
	e = Entered{Date: a["date"], Until: a["until"], Who: c.Who, Method: a["method"]}
	if !isDate(e.Date) {
		return "", e, fmt.Errorf("enter %s: date = %q is no date: say when it was done, as 2031-05-24", what, e.Date)
	}
	if e.Until != "" && (!isDate(e.Until) || e.Until <= e.Date) {
		return "", e, fmt.Errorf("enter %s: until = %q is no later date: say until when it counts, as 2031-05-24", what, e.Until)
	}
	if v := a["value"]; v != "" {
		x, err := strconv.ParseFloat(v, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return "", e, fmt.Errorf("enter %s: value = %q is not a finite number: give one", what, v)
		}
		e.Value = &x
	}
	key = what
	switch what {
	case EnterZero:
		key = what + "/" + subject
		if !slices.ContainsFunc(o.Channels, func(c daq.Channel) bool { return c.Name == subject && c.IsPressure() }) {
			err = fmt.Errorf("enter zero: subject = %q is no specimen pressure: name one of the bench's channels with role p", subject)
		}
	case EnterLeak:
		if e.Value == nil {
			err = fmt.Errorf("enter leak: no value is given: give the leak rate that was found")
		}
	case EnterDump:
		if slices.ContainsFunc(o.Outputs, func(x daq.Output) bool { return x.Role == daq.RoleDumpValve }) {
			err = fmt.Errorf("enter dump: the dump valve is an output: exercise it and watch its read-back")
		}
	case EnterProof:
		key = what + "/" + subject
		i := slices.IndexFunc(o.Rules, func(r Rule) bool { return r.Name == subject })
		switch {
		case i < 0 || len(o.Rules[i].Trip) == 0:
			err = fmt.Errorf("enter proof: subject = %q is no rule that trips: name one of the bench's rules that demand outputs off", subject)
		case e.Until == "":
			err = fmt.Errorf("enter proof: until is missing: say when the next test of %q is due", subject)
		}
	}
	return key, e, err
}

func isDate(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

// enterResult keeps what a person did: it cures the arming guard that asks for
// it. It never touches an output, an alarm or a latched trip.
func (g *Guard) enterResult(c daq.Command, now int64) error {
	key, e, err := g.o.entry(c)
	switch {
	case err != nil:
		return err
	case g.s.Date != "" && e.Date > g.s.Date:
		return fmt.Errorf("enter %s: date = %s is still to come: say when it was done", c.Args["what"], e.Date)
	case g.s.Entered[key].Date > e.Date:
		return fmt.Errorf("enter %s: one of %s is known: an older one of %s changes nothing", c.Args["what"], g.s.Entered[key].Date, e.Date)
	}
	g.s.Entered[key] = e
	if c.Args["what"] == EnterProof {
		i := slices.IndexFunc(g.o.Rules, func(r Rule) bool { return r.Name == c.Args["subject"] })
		t := &g.s.Trips[i]
		t.ProofDue = g.proofDue(i)
		if late := g.overdueTrip(t); late != t.Overdue {
			t.Overdue = late
		}
		g.ready.Trips = true
		g.standing(now)
	}
	return nil
}

// proofDue is when the trip of a rule is to be tested next: as the description
// states, or later as a test that was entered states.
func (g *Guard) proofDue(rule int) string {
	return max(g.o.Rules[rule].ProofDue, g.s.Entered[EnterProof+"/"+g.o.Rules[rule].Name].Until)
}

func (g *Guard) overdueTrip(t *Trip) bool {
	return len(t.Outputs) > 0 && overdue(t.ProofDue, g.s.Date)
}

// outdated says that what was done on a date counts no more; empty: it does.
// days limits its age, 0 doesn't.
func (g *Guard) outdated(date, until string, days int) string {
	switch {
	case overdue(until, g.s.Date):
		return " was good until " + until
	case days == 0:
		return ""
	case date == "":
		return " has no date and counts for " + dayWords(days)
	case g.s.Date == "":
		return " counts for " + dayWords(days) + " and today's date is not known"
	}
	d, err := time.Parse(time.DateOnly, date)
	if err == nil && d.AddDate(0, 0, days).Format(time.DateOnly) < g.s.Date {
		return fmt.Sprintf(" is of %s, more than %s ago", date, dayWords(days))
	}
	return ""
}

func dayWords(n int) string {
	if n == 1 {
		return "1 day"
	}
	return fmt.Sprintf("%d days", n)
}
