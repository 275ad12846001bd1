package detect

import "math"

// passed tells whether the trace is in the end where the straight line through
// the second before the whole disturbance leads: nothing lasting has happened,
// whatever a short baseline made of it. What was called before in the same
// disturbance is taken back with it.
func (n *naming) passed() bool {
	p, dt := n.k.c.p, n.k.c.period
	far := n.m.disturbedFrom(n.r)
	end := n.k.c.lastT
	if n.k.until > 0 || float64(end-far) > 3*passSpanNs {
		return false
	}
	on := p.cap.find(far) - max(8, int(int64(passAheadNs)/dt))
	from := max(on-int(int64(passSpanNs)/dt), p.cap.oldest(), n.m.ventFrom(n.k.c, far), n.m.stepped(n.k.c, on))
	if on-from < 4*leastSeen {
		return false
	}
	v, slope, ok := p.cap.line(from, on, end)
	last := max(leastSeen, n.n/4)
	mean, count := p.cap.mean(p.cap.n-last, p.cap.n)
	if !ok || count < leastSeen/2 || last >= n.n {
		return false
	}
	if -slope*float64(end-far)*1e-9 > 0.3*n.depth {
		return false // what blows down eases: its line, carried on, leads anywhere
	}
	mean += slope * float64(int64(last/2)*dt) * 1e-9 // carried on to the end
	sd := p.sigma() * p.excess()
	away := float64(end-p.cap.t[((from+on)/2)&p.cap.mask]) * 1e-9
	err := 4 * sd * (1/math.Sqrt(float64(count)) + slopeSD(on-from)/(float64(dt)*1e-9)*away)
	if math.Abs(mean-v) > 0.15*n.depth+err || err > 0.5*n.depth {
		return false
	}
	n.m.takeBack(n.k.c, far, n.r)
	return true
}

const (
	passSpanNs  = 1e9  // of line before a disturbance
	passAheadNs = 10e6 // between that line and the disturbance
	disturbNs   = int64(150e6)
)

// disturbedFrom is the onset of the first of the channel's events that follow
// each other closely up to r.
func (m *Monitor) disturbedFrom(r *record) int64 {
	first := r.ev.Onset
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		x := m.book.recs[i]
		if x.ev.ID >= r.ev.ID || x.seat != r.seat || x.ev.Kind == Dump || x.shape == "" && (x.ev.Kind == SupplyStep || x.ev.Fault == FaultSpike) {
			continue // a spike of three samples at most leaves the trace as it was
		}
		if first-x.ev.Onset > disturbNs {
			break
		}
		first = min(first, x.ev.Onset)
	}
	return first
}

// ventFrom is the capture number just behind the channel's last opening before
// t, from which a line may begin.
func (m *Monitor) ventFrom(c *channel, t int64) int {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		if x := m.book.recs[i]; x.ev.Onset < t && x.seat == c.id && (x.ev.Opens() || x.gentle() || x.ev.Kind == Dump) {
			return c.p.cap.find(max(x.ev.Onset, x.ev.End) + int64(passAheadNs))
		}
	}
	return 0
}

// takeBack names the channel's openings from time t on, before r, a disturbance.
func (m *Monitor) takeBack(c *channel, t int64, r *record) {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		x := m.book.recs[i]
		if x.ev.Onset < t {
			return
		}
		if x != r && x.seat == c.id && x.ev.Opens() && x.ev.Onset <= r.ev.Onset {
			x.toFault(FaultSpike, c.lastT)
			m.book.revise(x)
		}
	}
}
