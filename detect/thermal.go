package detect

import (
	"math"

	"ventward/daq"
)

// Criterion c of a runaway (see criteria): a skin (or gas) temperature that
// rises at least at runawayRate all through runawayHold. A rise ten times as
// fast is believed sooner. A heater alone gives some °C/s at most, and never
// strongRate for strongHold (common practice, no source).
const (
	runawayRate = 1.0 // °C/s
	runawayHold = 3.0 // s
	rapidRate   = 10.0
	rapidHold   = 0.5
	strongRate  = 5.0
	strongHold  = 1.0
	rateSure    = 5.0 // standard errors that a rate must be of,
	rateOver    = 2.0 // and that it must be beyond what it is compared with

	binNs      = int64(50e6) // between the values of a course at least
	courseNs   = int64(20e9) // before a rise, that it is compared with
	courseLen  = 512
	courseMask = courseLen - 1

	climbLeast = 3 // steps that make a rise where values are few
	ventSetNs  = int64(500e6)
	ventMeanNs = int64(50e6) // over which the step is taken
	ventLeast  = int64(12)   // samples that a step may take where they are slow
	unsureMost = 4           // first ventings of uncertain kind, after which none is looked for
	cellHold   = 3           // samples below half that make a loss of continuity,
	cellHoldNs = int64(20e6) // and for so long
	cellLeast  = 1.0         // V; a cell below it has no continuity to lose
	cellFirst  = 8           // readings that make what it was
	cellSags   = 0.9         // of what it was: below, it falls
	cellRises  = 1.0         // s in which what it was follows a rise,
	cellEases  = 300.0       // and an easing
)

// A thermal follows a runaway rig's temperatures and cell voltage.
type thermal struct {
	on      bool
	skin    tempCourse
	gas     tempCourse
	met     criteria
	ran     bool // runaway was called
	vent    int  // event of the first venting; 0: none yet
	ventAt  int64
	ventC   *channel
	unsure  int   // first ventings so far whose kind is uncertain
	open    bool  // the newest is one: another may be the cell's
	slow    bool  // the newest took seconds
	line    watch // the pressure's line before it
	cellRef float64
	cellN   int
	cellLow int
	cellAt  int64
	cell    bool // the voltage has been lost
}

// A tempCourse is a temperature's newest values, with single outliers taken
// out by a median of three.
type tempCourse struct {
	t    [courseLen]int64
	v    [courseLen]float64
	n    int
	a, b float64 // the two newest raw values
	seen int
	has  bool

	wires polarity

	// The values gathered for the course's next: how many, their sum, the time of
	// the first, the sum of times after it; and the time of the newest.
	binN  int
	binV  float64
	binT  int64
	binAt float64
	last  int64
}

func (t *thermal) init(m *Monitor) {
	t.on = m.opt.Rig == RunawayRig
	for i := range m.channels {
		if m.channels[i].cfg.Role == daq.RoleSkin {
			t.skin.has = true
		}
	}
}

// push takes a value; it tells whether the course grew. Values closer than
// binNs are gathered, so that the course spans the same time at every rate.
func (c *tempCourse) push(t int64, v float64) bool {
	m := v
	if c.seen >= 2 {
		m = median3(v, c.a, c.b)
	}
	c.seen++
	c.b, c.a = c.a, v
	if c.binN == 0 {
		c.binT = t
	}
	c.binN++
	c.binV += m
	c.binAt += float64(t - c.binT)
	if c.last != 0 && t+(t-c.last) < c.binT+binNs { // the next value falls in as well
		c.last = t
		return false
	}
	c.last = t
	n := float64(c.binN)
	c.t[c.n&courseMask], c.v[c.n&courseMask] = c.binT+int64(c.binAt/n), c.binV/n
	c.n++
	c.binN, c.binV, c.binAt = 0, 0, 0
	return true
}

// clear forgets the course: where it comes back after a hole is no rise.
func (c *tempCourse) clear() {
	c.n, c.seen, c.last = 0, 0, 0
	c.binN, c.binV, c.binAt = 0, 0, 0
}

// cut drops what ran into a hole that is short enough for the course to go on
// after it: an open wire reads high before it is known for one.
func (c *tempCourse) cut() {
	c.seen = 0
	c.binN, c.binV, c.binAt = 0, 0, 0
}

// above is how far the newest value lies above all of the course before from,
// each led on to from at the rate that the oldest part of it shows, at most
// most a second: what only makes up for a fall does not get above it. What was
// not recorded is no bound.
func (c *tempCourse) above(from int64, most float64) float64 {
	old, n := from, 0
	for k := 1; k <= min(c.n, courseLen); k++ {
		i := (c.n - k) & courseMask
		if c.t[i] < from-courseNs {
			break
		}
		old, n = c.t[i], k
	}
	var m, st, sv, stt, stv float64 // of the oldest third
	for k := n; k >= 1; k-- {
		i := (c.n - k) & courseMask
		t := float64(c.t[i]-old) * 1e-9
		if c.t[i] > old+(from-old)/3 {
			break
		}
		m++
		st += t
		sv += c.v[i]
		stt += t * t
		stv += t * c.v[i]
	}
	trend := 0.0
	if d := m*stt - st*st; m >= 3 && d > 0 {
		trend = math.Max(0, math.Min(most, (m*stv-st*sv)/d))
	}
	top := math.Inf(-1)
	for k := 1; k <= n; k++ {
		if i := (c.n - k) & courseMask; c.t[i] < from {
			top = math.Max(top, c.v[i]+trend*float64(from-c.t[i])*1e-9)
		}
	}
	return c.newest() - top
}

func median3(a, b, c float64) float64 {
	return math.Max(math.Min(a, b), math.Min(math.Max(a, b), c))
}

// steady tells whether the temperature rose at least at rate (per s) over the
// last span s, and all through it: at half of that in each third, or from each
// value to the next where they are few. A jump does so once.
func (c *tempCourse) steady(span, rate float64) bool {
	if c.n < 3 {
		return false
	}
	now := c.t[(c.n-1)&courseMask]
	apart := float64(now-c.t[(c.n-2)&courseMask]) * 1e-9
	if apart > span/7 {
		return c.climbs(max(climbLeast, int(span/apart+0.5)), rate)
	}
	begin := now - int64(span*1e9)
	_, all, ok := c.line(begin, now)
	if !ok || all < rate || c.t[max(0, c.n-courseLen)&courseMask] > begin {
		return false
	}
	if doubt := c.doubt(begin, now); all < rate+rateOver*doubt || all < rateSure*doubt {
		return false
	}
	for k := range int64(3) {
		to := now - (now-begin)/3*k
		if _, third, ok := c.line(to-(now-begin)/3, to); !ok || third < rate/2 {
			return false
		}
	}
	return true
}

// climbs tells whether the last n steps together rose at least at rate, and
// each of them at half of that.
func (c *tempCourse) climbs(n int, rate float64) bool {
	if n >= min(c.n, courseLen) {
		return false
	}
	rise := func(i, j int) float64 {
		i, j = (c.n-i)&courseMask, (c.n-j)&courseMask
		return (c.v[i] - c.v[j]) / (float64(c.t[i]-c.t[j]) * 1e-9)
	}
	for k := 1; k <= n; k++ {
		if rise(k, k+1) < rate/2 {
			return false
		}
	}
	return rise(1, n+1) >= rate && c.newest()-c.v[(c.n-n-1)&courseMask] > c.jitter(n+1)
}

// jitterBefore is how many values before a rise tell how much they jump about.
const jitterBefore = 8

// jitter is the largest second difference among the values just before the
// newest n.
func (c *tempCourse) jitter(n int) float64 {
	most := 0.0
	for k := n; k < n+jitterBefore && k+3 <= min(c.n, courseLen); k++ {
		x, y, z := c.v[(c.n-k-1)&courseMask], c.v[(c.n-k-2)&courseMask], c.v[(c.n-k-3)&courseMask]
		most = math.Max(most, math.Abs(x-2*y+z))
	}
	return most
}

// line is the straight line through the values in [from, to], at to: value and
// rate per s; ok is false where they are too few.
func (c *tempCourse) line(from, to int64) (v, rate float64, ok bool) {
	var n, st, sv, stt, stv float64
	for k := 1; k <= min(c.n, courseLen); k++ {
		i := (c.n - k) & courseMask
		if c.t[i] < from || c.t[i] > to {
			continue
		}
		t := float64(c.t[i]-to) * 1e-9
		n++
		st += t
		sv += c.v[i]
		stt += t * t
		stv += t * c.v[i]
	}
	d := n*stt - st*st
	if n < 3 || d <= 0 {
		return 0, 0, false
	}
	rate = (n*stv - st*sv) / d
	return (sv - rate*st) / n, rate, true
}

// doubt is the standard error of the rate over [from, to], per s: a couple that
// comes loose or picks up a heater's switching swings by more than it rises.
func (c *tempCourse) doubt(from, to int64) float64 {
	_, u := c.scatter(from, to)
	return u
}

// scatter is the standard deviation of the values in [from, to] about their
// line, and the standard error that they give its rate, per s.
func (c *tempCourse) scatter(from, to int64) (sd, rateU float64) {
	v, rate, ok := c.line(from, to)
	if !ok {
		return math.Inf(1), math.Inf(1)
	}
	var n, st, stt, square float64
	for k := 1; k <= min(c.n, courseLen); k++ {
		i := (c.n - k) & courseMask
		if c.t[i] < from || c.t[i] > to {
			continue
		}
		t := float64(c.t[i]-to) * 1e-9
		e := c.v[i] - v - rate*t
		n, st, stt, square = n+1, st+t, stt+t*t, square+e*e
	}
	sd = math.Sqrt(square / (n - 2))
	return sd, sd / math.Sqrt(stt-st*st/n)
}

// since is when the temperature began to rise at least at rate (per s), going
// back from now: by the rise over about half a second, and in the first of those
// from the last value on that had not risen at half of the rate.
func (c *tempCourse) since(rate float64) int64 {
	at := c.t[(c.n-1)&courseMask]
	for k := 1; k < min(c.n, courseLen); k++ {
		i := (c.n - k) & courseMask
		j := k + 1
		for j < min(c.n, courseLen) && c.t[i]-c.t[(c.n-j)&courseMask] < int64(5e8) {
			j++
		}
		b := (c.n - j) & courseMask
		dt := float64(c.t[i]-c.t[b]) * 1e-9
		if dt <= 0 || (c.v[i]-c.v[b])/dt < rate {
			break
		}
		at = c.t[b]
		for j--; j > k; j-- {
			l := (c.n - j) & courseMask
			if c.v[l]-c.v[b] < rate/2*float64(c.t[l]-c.t[b])*1e-9 {
				at = c.t[l]
			}
		}
	}
	return at
}

// reading takes a measurement of a skin or gas thermocouple or the cell's
// voltage.
func (t *thermal) reading(m *Monitor, c *channel, x *daq.Sample) {
	switch {
	case c.cfg.Role == daq.RoleCell:
		t.voltage(m, c, x)
		return
	case !t.on || c.cfg.Quantity != daq.Temperature:
		return
	}
	s, other := &t.gas, &t.skin
	switch c.cfg.Role {
	case daq.RoleGas:
	case daq.RoleSkin:
		s, other = other, s
	default:
		return // room and terminals tell nothing of the cell
	}
	switch gap := x.T - s.last; {
	case s.last == 0:
	case gap > max(4*c.period, int64(2e9)):
		s.clear()
	case gap > 4*max(c.period, binNs):
		s.cut()
	}
	if s.push(x.T, x.V) {
		t.reverse(m, c, s, other)
		if !s.wires.reversed && (s == &t.skin || !t.skin.has) {
			t.judge(m, c, s, x.T)
		}
	}
	if t.vent != 0 && t.ventAt != 0 && x.T > t.ventAt+dipAfterNs && s == &t.skin {
		t.dip(m)
	}
}

// newest is the newest value.
func (c *tempCourse) newest() float64 { return c.v[(c.n-1)&courseMask] }

// judge calls the runaway.
func (t *thermal) judge(m *Monitor, c *channel, s *tempCourse, now int64) {
	if t.ran {
		return
	}
	rate, hold := runawayRate, runawayHold
	held := s.steady(hold, rate)
	strong := s.steady(strongHold, strongRate)
	if !held {
		rate, hold = rapidRate, rapidHold
		held = s.steady(hold, rate)
	}
	// What only makes up for a fall just before, as after the first venting, does
	// not reach beyond where it was.
	from := s.t[(s.n-1)&courseMask] - int64(hold*1e9)
	if held && s.above(from, rate) >= 0.9*rate*hold {
		t.met.rising(s.since(runawayRate), now, rate, hold, strong)
	}
	t.met.expire(now)
	t.met.temperature(s.newest(), m.opt.Cell.MaxC, now)
	words, ok := t.met.verdict()
	if !ok {
		return
	}
	t.ran = true
	onset, heated := t.met.onset()
	r := m.book.open(Runaway, c, onset, now)
	if heated {
		r.ev.flag(FlagKindUncertain)
		r.ev.without("kind", "the temperature had risen so fast for more than 10 s before: a runaway, or the heater alone")
	}
	r.ev.Named = now
	r.ev.Criterion = words
	m.book.issue(r)
}

// vented takes a rise of the vessel's pressure: the cell's first venting,
// where it is a step and not the vessel warming up.
func (t *thermal) vented(m *Monitor, c *channel, l *level, w *window) bool {
	if !t.free() {
		return false
	}
	span := int64(w.length*l.div) * c.period
	bow, sd := l.bend()
	n := float64(l.span)
	x := w.lever / float64(w.length)
	f := x*x - (n*n-1)/12
	if span > max(ventSetNs, ventLeast*c.period) || w.r/float64(w.length) < bendFactor*math.Max(0, bow*f)+bendSigma*math.Abs(f)*sd {
		return false
	}
	p := c.p
	onset := max(p.cap.n-1-l.back(w)*l.div, p.cap.oldest())
	at := p.cap.t[onset&p.cap.mask]
	if m.supply.opened.covers(at, span) {
		m.supplied(c, at)
		return false
	}
	line := watch{t0: c.lastT, v0: p.base + l.at(0), slope: l.slope / (float64(l.div) * float64(c.period) * 1e-9)}
	t.issue(m, c, at, l.residual(0), line, span)
	return true
}

// leapFrom is when the last sample was taken before a rise by step (Pa) that
// came between two samples, at (ns) or later; at where it did not.
func (c *capture) leapFrom(at int64, step float64) int64 {
	for i := c.find(at) + 1; i < c.n; i++ {
		if c.at(i)-c.at(i-1) > step/2 {
			return c.t[(i-1)&c.mask]
		}
	}
	return at
}

// issue tells a first venting that began at at (ns) and has risen by step (Pa) above
// the line before it; slack is what its onset may be off by, ns.
func (t *thermal) issue(m *Monitor, c *channel, at int64, step float64, line watch, slack int64) {
	at = c.p.cap.leapFrom(at, step)
	r := m.book.open(FirstVenting, c, at, c.lastT)
	r.slack = slack
	r.ev.StepPa = ptr(step)
	t.line = line
	c.p.swell.n = 0 // its means are none of a baseline
	t.vent, t.ventAt, t.ventC, t.open, t.slow = r.ev.ID, at, c, false, false
	m.book.issue(r)
	m.due = min(m.due, c.lastT+ventSetNs)
}

// explain makes a first venting the supply's doing where its valve turns out to
// have opened then: its input may come later than the pressure.
func (t *thermal) explain(m *Monitor) {
	r := m.book.at(t.vent)
	if t.vent == 0 || r == nil || !m.supply.opened.covers(r.ev.Onset, r.slack) {
		return
	}
	r.ev.Kind, r.ev.StepPa, r.ev.DipC, r.ev.Absent = SupplyStep, nil, nil, nil
	r.ev.Named = max(m.now, r.ev.Decided)
	r.ev.End = r.ev.Named
	m.supply.opened.used = r.ev.ID
	t.vent, t.ventAt = 0, 0
	m.book.revise(r)
}

// look settles the first venting once the pressure had time to stay up.
func (t *thermal) look(m *Monitor, now int64) {
	r := m.book.at(t.vent)
	if t.vent == 0 || r == nil || r.ev.Named != 0 {
		return
	}
	at := r.ev.Decided + ventSetNs
	if now < at || t.ventC.lastT < at {
		m.due = min(m.due, at)
		return
	}
	step, sure := t.stayed(r, ventMeanNs)
	if !sure {
		step, sure = t.stayed(r, ventSetNs/2)
	}
	if !sure || step < 0.2**r.ev.StepPa {
		r.toFault(FaultSpike, t.ventC.lastT)
		t.vent, t.ventAt = 0, 0
	} else {
		r.ev.StepPa = ptr(step)
		r.ev.Named = t.ventC.lastT
		if t.slow {
			r.ev.without("onset_u", "the gas came over seconds: when it began is not told closer")
		} else {
			m.askRise(r, t.ventC)
		}
	}
	m.book.revise(r)
}

// stayed is how far above its line the pressure is, as the mean of the newest ns
// of it tells, Pa, and whether that is no noise.
func (t *thermal) stayed(r *record, ns int64) (step float64, sure bool) {
	p := t.ventC.p
	n := max(4, int(ns/t.ventC.period))
	began := p.cap.find(r.ev.Onset)
	if n > p.cap.n-began {
		return 0, false
	}
	v, _ := p.cap.mean(p.cap.n-n, p.cap.n)
	step = v - t.line.v0 - t.line.slope*float64(t.ventC.lastT-(int64(n-1)*t.ventC.period)/2-t.line.t0)*1e-9
	least := 4 * math.Max(p.sigma()/math.Sqrt(float64(n)), p.cap.wander(began, p.cap.n-n-began, n))
	return step, step >= least
}

// riseAheadNs is how much of the line before a first venting its window holds.
const riseAheadNs = int64(2e9)

// askRise asks for the fit of a first venting's onset.
func (m *Monitor) askRise(r *record, c *channel) {
	p := c.p
	ahead := max(riseAheadNs, 16*c.period)
	from := p.cap.find(r.ev.Onset - ahead)
	w := Window{Event: r.ev.ID, Final: true, Rise: true, Channel: c.id, NoisePa: p.sigma(), StepPa: p.code, PeakPa: p.high, SupplyOpen: m.supplyState()}
	w.T, w.V, w.Q = p.cap.copyOut(from, p.cap.n)
	w.Decided, w.Until = min(max(p.cap.find(r.ev.Decided)-from, 0), len(w.T)-1), len(w.T)
	if w.Decided < 0 {
		return
	}
	m.serial++
	w.Serial = m.serial
	m.windows = append(m.windows, w)
}

// voltage takes the cell's voltage: a sudden loss with nothing on the pressure
// is the interrupt device.
func (t *thermal) voltage(m *Monitor, c *channel, x *daq.Sample) {
	if t.cellN >= cellFirst && t.cellRef > cellLeast {
		t.met.voltage(x.V, t.cellRef, x.T)
	}
	if t.cell {
		return
	}
	if t.cellN >= cellFirst && t.cellRef > cellLeast && x.V < 0.5*t.cellRef {
		if t.cellLow == 0 {
			t.cellAt = x.T
		}
		if t.cellLow++; t.cellLow >= cellHold && x.T-t.cellAt >= cellHoldNs {
			t.cell = true
			r := m.book.open(ContinuityLoss, c, t.cellAt, x.T)
			r.ev.Named = x.T
			m.book.issue(r)
		}
		return
	}
	t.cellLow = 0
	t.refer(x.V, float64(c.period)*1e-9)
}

// refer keeps what the cell's voltage was before it falls, from a reading every
// dt s: it is followed upwards within a second or so and downwards over minutes,
// so that a fall does not take its own reference along, however slow it is for
// the rate of the readings.
func (t *thermal) refer(v, dt float64) {
	t.cellN++
	g := 1 / float64(t.cellN)
	switch {
	case t.cellN <= cellFirst:
	case v < cellSags*t.cellRef:
		return
	case v < t.cellRef:
		g = math.Max(g, math.Min(1, dt/cellEases))
	default:
		g = math.Max(g, math.Min(1, dt/cellRises))
		v = math.Min(v, t.cellRef/cellSags) // a glitch is no charge
	}
	t.cellRef += (v - t.cellRef) * g
}

// close says what of the first venting could not be measured.
func (t *thermal) close(m *Monitor) {
	t.skin.endReversed(m)
	t.gas.endReversed(m)
	r := m.book.at(t.vent)
	if t.vent == 0 || r == nil || r.ev.Kind != FirstVenting {
		return
	}
	if r.ev.Named == 0 {
		r.ev.Named = max(m.now, r.ev.Decided)
	}
	if r.ev.DipC != nil || r.ev.Absent["dip_C"] != "" {
		return
	}
	if !t.skin.has {
		r.ev.without("dip_C", "no skin temperature")
		m.book.revise(r)
		return
	}
	t.dip(m)
}
