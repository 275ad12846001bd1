package detect

import (
	"math"
	"slices"

	"ventward/daq"
)

const (
	beforeS    = 1.2 // of ramp before an event that a window holds at most
	limitNs    = int64(2e9)
	backNs     = int64(3e9) // for which a fall on its way back is waited for
	earlyNs    = int64(20e6)
	earlyMaxNs = int64(300e6)
	lookNs     = int64(10e6)
	never      = math.MaxInt64
	smallFall  = 0.6 // of the gauge pressure: below it a fall may yet be a sensor's
	smallS     = 1.2 // s until that is settled
)

// A watch follows an event on the channel that gives its figures until its
// windows are out.
type watch struct {
	c      *channel
	decide int   // capture number of the deciding sample
	onset  int   // capture number of the onset's guess
	from   int   // capture number from which the ramp is free of earlier falls
	free   int   // and of the supply's steps
	after  bool  // there were earlier events
	until  int   // first of a later event; 0: none yet
	early  int64 // when the first window is due; 0: it is out
	next   int64 // when to look whether the fall is over
	final  int64 // when it is over at the latest
	step   int64 // between looks
	steep  float64
	peak   float64
	// the line before the event: v0 at t0 with its slope per s and the
	// standard deviation of its value at the onset
	t0      int64
	v0      float64
	slope   float64
	sd      float64
	ns      int64   // length of the window that fired
	ambient float64 // Pa
	least   float64 // Pa in the seat's reference: no pressure is lower
	known   survey
	past    passage
}

// fired handles a level's alarm: a departure from the line so far, once its
// window confirms it.
func (m *Monitor) fired(c *channel, li int) {
	p := c.p
	l := &p.levels[li]
	for k := range l.win[:l.armed()] {
		w := &l.win[k]
		switch {
		case l.n < l.young && w.length > l.sharp:
			return
		case l.confirm(k, -1):
			if !m.retells(l, w, c) {
				m.fell(c, li, w)
			}
			return
		case l.confirm(k, +1):
			if !m.retells(l, w, c) {
				m.rose(c, li, w)
			}
			return
		}
	}
}

// settle restarts the levels from number li on after a departure and keeps the
// phase until the new course had time to become plain.
func (p *pressure) settle(ph phase, li int, w *window) {
	back := p.levels[li].back(w) * p.levels[li].div
	p.phase = ph
	p.suspect.on, p.ebb = false, ebb{}
	p.wobble = wobble{}
	p.phaseEnd = p.levels[0].n + spanMax + 4*w.length*p.levels[li].div
	run, ref, peak, doubt := p.run, p.ref, p.peak, p.doubt
	p.restartFrom(li, back)
	p.run, p.ref, p.peak, p.doubt = run, ref, peak, doubt
}

// settling goes on after a departure that only bends the course already
// known: the level that noticed follows it more closely.
func (p *pressure) settling(l *level, w *window) {
	if p.phase != calm {
		p.phaseEnd = max(p.phaseEnd, p.levels[0].n+spanMax+4*w.length*l.div)
	}
	l.shorten()
}

// fell handles a confirmed fall below the line.
func (m *Monitor) fell(c *channel, li int, w *window) {
	p := c.p
	l := &p.levels[li]
	mean := w.sum / float64(w.length)
	if p.levels[0].n < p.saturated && p.cap.q[(p.cap.n-1)&p.cap.mask]&daq.Saturated != 0 &&
		mean > l.at(float64(l.gap)+float64(w.length))-w.thr/float64(w.length) {
		if p.cap.at(p.cap.n-1) > p.high-spikeSigma*p.sigma() {
			m.bent(c, li, w) // the transducer's end bends the ramp; no fall yet
		}
		return
	}
	if n := p.levels[0].n; n < p.gapEnd && mean > p.gapLevel-w.thr/float64(w.length) {
		if n >= p.gapEnd-gapYoung { // the ramp changed in the gap; no fall is proved
			p.settle(calm, li, w)
		}
		return
	}
	if p.phase == rising { // a settling rise bends downwards: only a true fall counts
		hold := l.at(float64(w.length) - 0.5)
		if mean > math.Min(hold, l.at(float64(l.gap)))-w.thr/float64(w.length) {
			p.settling(l, w)
			return
		}
	}
	if li == 0 && p.phase != calm && -w.r < (1.3+24/float64(l.span))*p.wobble.swing(p.sigma())*float64(w.length) {
		return // ringing swings as far, and takes a young baseline with it
	}
	if p.phase != calm && p.rings(l, w) {
		p.settling(l, w)
		return
	}
	if fresh, bent := p.steepens(l, w); !fresh && !(l.levelled && p.phase == falling) {
		if bent {
			p.settling(l, w)
		}
		return
	}
	if last := m.judgeLast(c); last != nil && mean > l.at(float64(l.gap))-w.thr/float64(w.length) && last.recovers() {
		p.settling(l, w) // on the way back from a dip: only a true fall counts
		return
	}
	if p.levels[0].n < p.disturbed && !m.newLow(c, l, w) {
		p.disturb(int(1e9 / c.period)) // it is still about
		p.settling(l, w)
		return
	}
	if p.fresh { // the first event ends the suspicion that a fresh channel is under
		p.fresh, p.disturbed = false, 0
	}
	if r := m.opening(c, l, w); r != nil && p.run > 0 {
		p.doubt = r.ev.ID
	}
	p.settle(falling, li, w)
}

// judgeLast names the channel's event under way by what is known now: a later
// fall must not be taken for an opening where the one before came back. It
// returns the event's watch; nil: none is under way.
func (m *Monitor) judgeLast(c *channel) *watch {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		r := m.book.recs[i]
		if r.w != nil && r.w.c == c {
			m.judge(r, false)
			return r.w
		}
		if c.lastT-r.ev.Decided > 2*limitNs {
			break
		}
	}
	return nil
}

// recovers tells whether the trace is on its way back to the line.
func (k *watch) recovers() bool {
	s, ok := k.course()
	return ok && s.recovers()
}

// rose handles a confirmed rise above the line.
func (m *Monitor) rose(c *channel, li int, w *window) {
	p := c.p
	l := &p.levels[li]
	if p.phase == falling || p.suspect.on && p.suspect.down > 0 {
		// A blow-down that settles bends upwards; it rises only where it does.
		before := l.at(float64(l.gap) + float64(w.length)/2)
		if w.sum/float64(w.length) < before+w.thr/float64(w.length) {
			p.settling(l, w)
			return
		}
	}
	if p.run > 0 && p.peak > 0 {
		return // an excursion that may come back
	}
	if m.risen(c, l, w) {
		p.settle(rising, li, w)
		return
	}
	p.settling(l, w)
}

// back is how many values ago the departure began: the change of slope that
// explains the newest residuals best.
func (l *level) back(w *window) int {
	n := min(l.gap+w.length/2, l.n-l.since-1, ringLen/2)
	best, at := -1.0, w.length
	var s, sj float64 // sums of r and of r*j, j values ago, over the newest k
	for k := range n {
		r := l.residual(k)
		s += r
		sj += r * float64(k)
		m := float64(k + 1)
		t := m*s - sj // sum of (m-j) r_j: weight grows towards the newest
		g := t * t * 6 / (m * (m + 1) * (2*m + 1))
		if g > best {
			best, at = g, k+1
		}
	}
	return at
}

// opening opens a fall event at the deciding sample, or joins one that another
// sensor of the same volume has seen.
func (m *Monitor) opening(c *channel, l *level, w *window) *record {
	k := m.leaves(c, l, w)
	return m.departed(c, &k)
}

// leaves is the watch of a departure at the deciding sample.
func (m *Monitor) leaves(c *channel, l *level, w *window) watch {
	p := c.p
	perS := l.slope / (float64(l.div) * float64(c.period) * 1e-9)
	lag := 0.0
	if l.div > 1 {
		lag = float64(l.div)/2 + feedDelay
	}
	d := float64(l.gap) - 1 - l.jbar
	return watch{
		onset: max(p.cap.n-1-l.back(w)*l.div, p.cap.oldest()),
		v0:    p.base + l.at(0) + perS*lag*float64(c.period)*1e-9, slope: perS,
		ns: int64(w.length*l.div) * c.period,
		sd: l.sigma * math.Sqrt(l.invN+d*d*l.invJ),
	}
}

// departed makes the event of a watch that knows the line before, the onset and
// the length of what saw it.
func (m *Monitor) departed(c *channel, k *watch) *record {
	p := c.p
	now := c.lastT
	k.c, k.ambient, k.decide, k.t0, k.least = c, m.ambient, p.cap.n-1, now, m.leastPa(c.cfg.Reference)
	k.from, k.after, k.peak = max(p.lastFall, p.cap.oldest()), p.lastFall > 0, p.high
	k.free = max(k.from, m.stepped(c, k.onset))
	t := p.cap.t[k.onset&p.cap.mask]
	slack := max(k.ns, (now-t)/2) + int64(c.cfg.LagS*1e9)
	m.closeBefore(c, k.onset)
	p.lastFall = k.onset
	p.high = math.Inf(-1)
	r := m.join(c, t, slack)
	if r != nil {
		m.joined(r, c, k)
		return nil
	}
	if r = m.late(c, k, t); r != nil {
		r.ev.Channels = append(r.ev.Channels, c.id)
		m.book.revise(r)
		return nil
	}
	r = m.book.open(VentOpening, c, t, now)
	r.slack = slack
	at := k.v0 + k.slope*float64(t-k.t0)*1e-9
	r.ev.PressurePa = ptr(at)
	// Until a fit says better, the onset may lie anywhere in the slack: on the
	// fall of an opening before, that is most of what isn't known.
	r.ev.PressureUPa = ptr(math.Hypot(2*math.Hypot(k.sd, c.cfg.Curve.U(at)), k.slope*float64(slack)*1e-9))
	r.ev.RampPaS = ptr(k.slope)
	r.ev.PeakPa = finite(k.peak)
	m.qualify(r, c, k)
	m.provisional(r, c, k)
	m.label(r)
	m.schedule(r, k)
	if m.opt.Rig == RunawayRig && r.ev.Opens() {
		r.quiet = true // in a vessel a vent is a rise; a fall is told once it is known what it is
		return r
	}
	m.book.issue(r)
	return r
}

func finite(x float64) *float64 {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return nil
	}
	return &x
}

// join finds the event that another sensor has seen and this one sees too.
func (m *Monitor) join(c *channel, onset, slack int64) *record {
	var best *record
	least := int64(never)
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		r := m.book.recs[i]
		if onset-r.ev.Onset > int64(3e9) {
			break
		}
		if r.ev.Kind == SensorFault && r.shape != SensorFault || r.ev.Rev == 0 && !r.quiet || slices.Contains(r.ev.Channels, c.id) {
			continue
		}
		if !r.ev.Opens() && r.ev.Kind != Dump && r.ev.Kind != SensorFault && !r.gentle() {
			continue
		}
		if d := r.from(onset); d <= slack+r.slack+int64(2e6) && d < least {
			best, least = r, d
		}
	}
	return best
}

// joined adds a channel to an event. A much faster channel takes the seat as
// long as no window is out.
func (m *Monitor) joined(r *record, c *channel, k *watch) {
	r.ev.Channels = append(r.ev.Channels, c.id)
	if r.w != nil && r.w.early != 0 && 2*c.period < r.w.c.period && r.ev.Kind != SensorFault {
		r.seat, r.ev.Channel = c.id, c.id
		m.schedule(r, k)
	}
	if r.ev.Kind == SensorFault && r.ev.Fault != FaultThermalShock { // two sensors agree: it was the pressure
		r.ev.Kind, r.ev.Fault, r.ev.End, r.shape = VentOpening, "", 0, ""
		r.ev.Named = 0
		m.label(r)
	}
	m.book.revise(r)
}

// qualify sets the flags that are known at the trigger.
func (m *Monitor) qualify(r *record, c *channel, k *watch) {
	e := &r.ev
	if c.cfg.LagS == 0 {
		e.flag(FlagLagUnknown)
	}
	if c.cfg.Certificate == "" {
		e.flag(FlagUncalibrated)
	}
	if !c.cfg.Zeroed {
		e.flag(FlagUnverifiedZero)
	}
	if m.supply.known && m.supply.open {
		e.flag(FlagSupplyRunning)
	}
	p := c.p
	if p.levels[0].n < p.saturated {
		e.flag(FlagSaturated)
		e.flag(FlagLowerBound)
	}
	if p.levels[0].n < p.gapEnd {
		e.flag(FlagGap)
	}
	for j := k.onset; j <= k.decide; j++ {
		q := p.cap.q[j&p.cap.mask]
		if q&daq.Gap != 0 {
			e.flag(FlagGap)
		}
		if q&daq.Unsettled != 0 {
			e.flag(FlagUnsettledClock)
		}
	}
}

// provisional names a fall at the trigger where the dump valve's input already
// tells that it is no opening.
func (m *Monitor) provisional(r *record, c *channel, k *watch) {
	if e := &m.dump.opened; e.used == 0 && e.covers(r.ev.Onset, r.slack) {
		e.used = r.ev.ID
		r.toDump(r.ev.Decided)
	}
}

// leastPa is a pressure that gas on a bench can't have: well below ambient.
func (m *Monitor) leastPa(ref daq.Reference) float64 {
	if ref == daq.Gauge {
		return -0.3e5
	}
	return m.ambient - 0.3e5
}

// schedule sets when an event's windows are due.
func (m *Monitor) schedule(r *record, k *watch) {
	k.step = max(lookNs, 8*k.c.period)
	wait := min(max(earlyNs, 4*k.ns, 16*k.c.period), earlyMaxNs)
	k.early = r.ev.Decided + wait
	k.next = k.early
	k.final = r.ev.Decided + max(limitNs, 32*k.c.period, 4*k.ns)
	r.w = k
	m.due = min(m.due, k.early)
}

// look does what is due at bench time now.
func (m *Monitor) look(now int64) {
	m.due = never
	m.thermal.look(m, now)
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		r := m.book.recs[i]
		if now-r.ev.Decided > 4*limitNs {
			break
		}
		if r.w != nil {
			m.lookAt(r)
		}
	}
}

// lookAt sends an event's windows once the seat's samples have come far
// enough.
func (m *Monitor) lookAt(r *record) {
	k := r.w
	now := k.c.lastT
	if k.early != 0 && now >= k.early {
		k.early = 0
		m.judge(r, false)
		m.send(r, false)
	}
	if now >= k.next {
		if k.early == 0 && (now >= k.final && !k.waits(now) || k.over()) {
			m.finish(r)
			return
		}
		k.next = now + max(k.step, (now-r.ev.Decided)/16)
	}
	due := k.next
	if k.early != 0 {
		due = min(due, k.early)
	}
	m.due = min(m.due, due)
}

// over tells whether the fall has ended: the slope over the last look is
// little against the steepest.
func (k *watch) over() bool {
	p := k.c.p
	n := max(4, int(k.step/k.c.period))
	a, na := p.cap.mean(p.cap.n-2*n, p.cap.n-n)
	b, nb := p.cap.mean(p.cap.n-n, p.cap.n)
	if na < 2 || nb < 2 {
		return false
	}
	fall := a - b
	k.steep = math.Max(k.steep, fall)
	k.steep = math.Max(k.steep, k.first(n))
	noise := 3 * p.sigma() * math.Sqrt(2/float64(n))
	if fall >= 0.1*k.steep+noise*0.3 || p.cap.n-k.decide <= 4*n {
		return false
	}
	// A ramp that stopped, a dip that comes back and gas that cools take longer
	// to tell from an opening.
	s, ok := k.course()
	small := s.depth < smallFall*k.gauge(s.onset) && s.length < smallS
	return ok && !small && !s.risesOn() && p.cap.n-k.decide > 10*n && !(s.stopped() && s.doubtful()) && !s.recovers() &&
		(!s.coolish(k.gauge(s.onset)) || s.length > coolS)
}

// waits tells whether a small fall is on its way back and is given longer.
func (k *watch) waits(now int64) bool {
	if now > k.final+backNs {
		return false
	}
	s, ok := k.course()
	return ok && s.depth < shockMost*k.gauge(s.onset) && s.recovers()
}

// first is the fall over the first n samples after the onset.
func (k *watch) first(n int) float64 {
	a, na := k.c.p.cap.mean(k.onset-n, k.onset)
	b, nb := k.c.p.cap.mean(k.onset+n/2, k.onset+n/2+n)
	if na == 0 || nb == 0 {
		return 0
	}
	return a - b
}

// closeBefore ends the channel's open event because a later one begins at
// capture number onset.
func (m *Monitor) closeBefore(c *channel, onset int) {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		r := m.book.recs[i]
		if r.w != nil && r.w.c == c {
			r.w.until = onset
			m.finish(r)
		}
		if c.lastT-r.ev.Decided > 4*limitNs {
			return
		}
	}
}

// finish names the event by what is there and sends its last window.
func (m *Monitor) finish(r *record) {
	if r.w == nil {
		return
	}
	m.judge(r, true)
	m.send(r, true)
	r.w = nil
}

// closeStale ends watches whose channel has gone silent.
func (m *Monitor) closeStale(now int64) {
	for _, r := range m.book.recs {
		if r.w != nil && now-r.w.c.lastT > int64(1e9) && now > r.w.final {
			m.finish(r)
		}
	}
}

// send copies a window of the seat and of the other sensors of the volume.
func (m *Monitor) send(r *record, final bool) {
	k := r.w
	if r.quiet || !r.ev.Opens() && r.ev.Kind != Dump {
		return
	}
	w := m.window(k.c, k)
	m.serial++
	w.Event, w.Serial, w.Final = r.ev.ID, m.serial, final
	for i := range m.channels {
		c := &m.channels[i]
		if c.p == nil || c == k.c || c.p.cap.n == 0 || len(w.T) == 0 {
			continue
		}
		from, to := c.p.cap.find(w.T[0]), c.p.cap.find(w.T[len(w.T)-1]+1)
		if to-from < 8 {
			continue
		}
		o := Window{Event: r.ev.ID, Serial: m.serial, Final: final, Channel: c.id, NoisePa: c.p.sigma(), StepPa: c.p.code, SupplyOpen: w.SupplyOpen, PeakPa: c.p.high}
		o.T, o.V, o.Q = c.p.cap.copyOut(from, to)
		o.Until = len(o.T)
		if w.Until < len(w.T) {
			o.Until = c.p.cap.find(w.T[w.Until]) - from
		}
		if w.From > 0 {
			o.From = min(c.p.cap.find(w.T[w.From])-from, o.Until)
		}
		o.Decided = min(max(c.p.cap.find(w.T[w.Decided])-from, 0), len(o.T)-1)
		w.Others = append(w.Others, o)
	}
	m.windows = append(m.windows, w)
}

func (m *Monitor) window(c *channel, k *watch) Window {
	p := c.p
	span := int(beforeS * 1e9 / float64(c.period))
	from := max(k.onset-span, p.cap.oldest())
	w := Window{Channel: c.id, NoisePa: p.sigma(), StepPa: p.code, PeakPa: k.peak, SupplyOpen: m.supplyState(), Periodic: p.pulse.told()}
	if math.IsInf(w.PeakPa, 0) {
		w.PeakPa = k.v0
	}
	w.T, w.V, w.Q = p.cap.copyOut(from, p.cap.n)
	w.Decided = max(k.decide-from, 0)
	w.From = max(k.from-from, 0)
	w.After = k.after
	w.Until = len(w.T)
	if k.until > 0 {
		w.Until = min(k.until-from, len(w.T))
	}
	return w
}
