package guard

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ventward/daq"
)

// Command takes a person's or the program's wish. The error says why not and
// what to do. Verbs that are not the guard's are let pass.
//
// Whoever takes commands from people sets Args["at"] to bench or remote,
// whatever they sent: arm, pressurise, exercise, reset, bypass, enter, in-service
// and out-of-service, and an end with override, are refused unless at the bench. A command without it was
// made by the program. "program" as Who is the program's own, for notices.
//
//	prepare                    who1 who2 date
//	arm                        who1 who2 date
//	pressurise, hold, end      end: override (a reason)
//	make-safe, abort           from anywhere
//	exercise                   output (a dump valve's name)
//	acknowledge                id, or all
//	shelve, unshelve           rule or id, for_s, reason
//	out-of-service, in-service rule or id, reason
//	reset                      rule or id, or all
//	bypass, end-bypass         rule or id, for_s, reason
//	enter                      what subject date until value method
//	notice, recording          what ok reason value
func (g *Guard) Command(c daq.Command, now int64) error {
	g.reach(now)
	if err := atBench(c); err != nil {
		return err
	}
	switch c.Verb {
	case "prepare":
		return g.prepare(c, now)
	case "arm":
		return g.arm(c, now)
	case "pressurise":
		return g.pressurise(now)
	case "hold":
		if g.s.Phase != UnderTest {
			return fmt.Errorf("cannot hold while %s: arm and pressurise first", g.s.Phase)
		}
		g.hold(now)
	case "abort", "make-safe":
		g.makeSafe(now)
	case "end":
		return g.end(c, now)
	case "exercise":
		return g.exercise(c, now)
	case "reset":
		return g.reset(c, now)
	case "bypass":
		return g.bypass(c, now)
	case "end-bypass":
		return g.endBypass(c, now)
	case "enter":
		return g.enterResult(c, now)
	default:
		return g.alarmCommand(c, now)
	}
	return nil
}

// alarmCommand takes what is asked of alarms, and the program's notices.
func (g *Guard) alarmCommand(c daq.Command, now int64) error {
	switch c.Verb {
	case "acknowledge":
		return g.acknowledgeCommand(c, now)
	case "shelve":
		return g.shelve(c, now)
	case "unshelve":
		return g.unshelve(c, now)
	case "out-of-service":
		return g.service(c, true, now)
	case "in-service":
		return g.service(c, false, now)
	case "notice", "recording":
		if c.Who != "program" && c.Who != "" {
			return fmt.Errorf("%s: only the program notices itself: use note to leave a remark", c.Verb)
		}
		what := c.Args["what"]
		if c.Verb == "recording" {
			what = NoticeRecording
		}
		return g.notice(c, what, now)
	}
	return nil
}

// benchOnly lists what is done at the bench only: it may lead to pressure, or
// takes a safeguard away.
var benchOnly = []string{"prepare", "arm", "pressurise", "exercise", "reset", "bypass", "out-of-service", "in-service", "enter"}

// BenchOnly lists the verbs that are done at the bench only.
func BenchOnly() []string { return slices.Clone(benchOnly) }

func atBench(c daq.Command) error {
	overrides := c.Verb == "end" && c.Args["override"] != "" // the conditions of the watch are not met, or gas may be trapped
	if at := c.Args["at"]; at == "" || at == "bench" || !slices.Contains(benchOnly, c.Verb) && !overrides {
		return nil
	}
	return fmt.Errorf("cannot %s from here: it is done at the bench only (abort works from anywhere)", c.Verb)
}

func (g *Guard) prepare(c daq.Command, now int64) error {
	if g.s.Phase != AtRest && g.s.Phase != Preparing {
		return fmt.Errorf("cannot prepare while %s: end the test first", g.s.Phase)
	}
	if err := g.stated(c, now); err != nil {
		return err
	}
	g.enter(Preparing, now)
	return nil
}

// stated keeps the names and the date that a command gives.
func (g *Guard) stated(c daq.Command, now int64) error {
	if d := c.Args["date"]; d != "" {
		if _, err := time.Parse(time.DateOnly, d); err != nil {
			return fmt.Errorf("%s: date = %q is no date: write it as 2031-05-24", c.Verb, d)
		}
		g.dated(d, now)
	}
	g.named(c)
	return nil
}

func (g *Guard) arm(c daq.Command, now int64) error {
	if g.s.Phase != AtRest && g.s.Phase != Preparing {
		return fmt.Errorf("cannot arm while %s: end the test first", g.s.Phase)
	}
	if err := g.stated(c, now); err != nil {
		return err
	}
	if err := g.missing(); err != nil {
		return err
	}
	for i := range g.s.Outputs { // what was exercised rests
		g.s.Outputs[i].Permit, g.s.Outputs[i].Until = false, 0
	}
	g.demand(now)
	g.s.Test.Running = false
	g.enter(Armed, now)
	return nil
}

// missing names everything that arming waits for.
func (g *Guard) missing() error {
	var missing []string
	for _, k := range g.Guards() {
		if k.Required && !k.OK {
			missing = append(missing, k.Why+": "+k.Cure)
		}
	}
	if len(missing) > 0 {
		return fmt.Errorf("cannot arm: %s", strings.Join(missing, "; "))
	}
	return nil
}

// MayArm tells why the command arm would be refused now; it changes nothing.
func (g *Guard) MayArm(c daq.Command) error {
	if err := atBench(c); err != nil {
		return err
	}
	if g.s.Phase != AtRest && g.s.Phase != Preparing {
		return fmt.Errorf("cannot arm while %s: end the test first", g.s.Phase)
	}
	names := g.s.Names
	defer func() { g.s.Names = names }()
	g.named(c)
	return g.missing()
}

// named keeps the names that a command gives.
func (g *Guard) named(c daq.Command) {
	for i, k := range []string{"who1", "who2"} {
		if v := strings.TrimSpace(c.Args[k]); v != "" {
			g.s.Names[i] = v
		}
	}
}

func (g *Guard) pressurise(now int64) error {
	switch {
	case g.s.Phase != Armed && g.s.Phase != HoldingPressure:
		return fmt.Errorf("cannot pressurise while %s: arm first", g.s.Phase)
	case g.anyTrip() != "":
		return fmt.Errorf("cannot pressurise: trip %q is latched: make safe, cure its cause, then reset", g.anyTrip())
	}
	if why := g.unfresh(now); why != "" {
		return fmt.Errorf("cannot pressurise: %s: look at its instrument", why)
	}
	if g.s.Phase == Armed {
		g.s.Test.begin(now)
	}
	g.s.Test.Rose = now
	g.enter(UnderTest, now)
	if g.s.Phase == UnderTest { // nothing tripped on the way in
		g.permit(true, now)
	}
	return nil
}

func (g *Guard) makeSafe(now int64) {
	g.permit(false, now)
	switch g.s.Phase {
	case AtRest, PressureWatch:
	case Preparing:
		g.enter(AtRest, now)
	default:
		g.enter(MakingSafe, now)
	}
	g.advance(now)
}

// end brings the course to rest. A person who ends a test that mayEnd refuses
// says why.
func (g *Guard) end(c daq.Command, now int64) error {
	if c.Who != "program" && c.Args["override"] == "" {
		if err := g.mayEnd(); err != nil {
			return err
		}
	}
	g.permit(false, now)
	if c.Who == "program" && (g.s.Phase == AtRest || g.s.Phase == Preparing) {
		return nil // it ends a run that nobody armed: what a person prepares meanwhile stays
	}
	g.s.Test.Running, g.s.Names = false, [2]string{}
	g.enter(AtRest, now)
	return nil
}

// mayEnd tells why a test can't be ended: it ends only from the pressure watch,
// with its conditions met where the bench's watch binds, and never with a
// specimen that was not seen to open and still shows pressure: at rest nothing
// would speak of it any more.
func (g *Guard) mayEnd() error {
	switch g.s.Phase {
	case UnderTest, HoldingPressure:
		return fmt.Errorf("cannot end while %s: make safe first", g.s.Phase)
	case MakingSafe:
		return fmt.Errorf("cannot end while %s: make safe first: wait until the outputs are read back off, or give a reason in override", g.s.Phase)
	case PressureWatch:
	default:
		return nil
	}
	if h, ok := g.Held(); ok && h.Pressurised {
		return fmt.Errorf("cannot end the pressure watch: the specimen was not seen to open and still shows pressure: vent, read the local gauge, or give a reason in override")
	}
	if !g.o.WatchBinds {
		return nil
	}
	for _, k := range g.Watch() {
		if !k.OK {
			return fmt.Errorf("cannot end the pressure watch: %s: %s, or give a reason in override", k.Why, k.Cure)
		}
	}
	return nil
}

// exerciseNS is how long an exercised dump valve is energised, ns.
const exerciseNS = int64(2e9)

// exercise energises a dump valve for a moment, so that its read-back shows
// that it moves.
func (g *Guard) exercise(c daq.Command, now int64) error {
	if g.s.Phase != AtRest && g.s.Phase != Preparing {
		return fmt.Errorf("cannot exercise an output while %s: end the test first", g.s.Phase)
	}
	i := slices.IndexFunc(g.o.Outputs, func(o daq.Output) bool { return o.Name == c.Args["output"] && o.Role == daq.RoleDumpValve })
	switch {
	case i < 0:
		return fmt.Errorf("exercise: output = %q is no dump valve: name one of the bench's dump valves", c.Args["output"])
	case g.tripped(i):
		return fmt.Errorf("exercise: a trip holds %q off: reset it first", g.o.Outputs[i].Name)
	}
	o := &g.s.Outputs[i]
	o.Permit, o.Until, o.SeenOn, o.Off = true, now+exerciseNS, false, false
	g.demand(now)
	return nil
}

// restExercised takes exercised outputs back.
func (g *Guard) restExercised(now int64) {
	for i := range g.s.Outputs {
		if o := &g.s.Outputs[i]; o.Until != 0 && now >= o.Until {
			o.Permit, o.Until = false, 0
			g.demand(now)
		}
	}
}

func (g *Guard) acknowledgeCommand(c daq.Command, now int64) error {
	id := 0
	if s := c.Args["id"]; s != "" && s != "all" {
		n, err := strconv.Atoi(s)
		if err != nil || n <= 0 {
			return fmt.Errorf("acknowledge: id %q is not an alarm's number: use one from the list of alarms, or all", s)
		}
		id = n
	}
	if !g.acknowledge(id, c.Who, now) && id != 0 {
		return fmt.Errorf("acknowledge: no alarm %d stands: it was answered or its rule is quiet", id)
	}
	return nil
}
