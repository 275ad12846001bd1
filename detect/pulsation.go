package detect

import (
	"math"

	"ventward/daq"
)

const (
	tonesMost = 2 // tones of a channel at most
	// A tone is taken off where that leaves less than pays of the variance, and no
	// longer where it leaves more than idle.
	pays, idle = 0.6, 0.8
	// With less than tells of it left a fit is believed even where it leaves more
	// than the one before did.
	tells = 0.15

	seekNs      = int64(250e6) // into a trace when tones are looked for at first
	seekMostNs  = int64(4e9)   // between looks where none is found
	tuneNs      = int64(150e6) // between fits of a tone,
	tuneMostNs  = int64(500e6) // where its prediction's error is not as little as
	tuneSlip    = 0.5          // turns by which a fit may be ahead at most over its strip
	tuneAges    = 1.5          // by which a prediction's error grows between
	tuneSmall   = 0.01         // of the variance of a sample, or
	tuneNoise   = 1.0          // times what noise alone makes of it in the mean
	seekS       = 0.12         // s that it takes to find one at least
	seekHz      = 700.0        // means a second
	stripS      = 1.5          // s in which tones are looked for
	tunePoints  = 3            // means a period of the highest harmonic
	tuneS       = 0.6          // s to which one is fitted, or
	tuneTurns   = 6.0          // periods of it
	replayS     = 2.0          // s of the trace that are gone through anew
	replayLeast = 256          // samples of it
	guardLeast  = 8            // newest samples that no fit sees
)

// A pulsation is what comes and goes on a channel with a period of its own, and
// is taken off before anything is looked for.
type pulsation struct {
	tones  [tonesMost]tone
	sights [tonesMost]sight // what the windows see of them
	n      int
	pace   int64 // ns between fits
	lookT  int64 // when to look again; 0: as the trace begins
	wait   int64 // between looks for tones
	seekT  int64
	seen   *spectrum // of the strip last looked at; nil: none yet
}

// spectrum is where a strip's spectrum is put, made once for a channel.
func (z *pulsation) spectrum() *spectrum {
	if z.seen == nil {
		z.seen = new(spectrum)
	}
	return z.seen
}

// at is the sum of the tones at bench time t.
func (z *pulsation) at(t int64) float64 {
	v := 0.0
	for i := range z.tones[:z.n] {
		v += z.tones[i].at(t)
	}
	return v
}

// clear takes the tones off the newest n samples of the capture.
func (z *pulsation) clear(c *capture, n int) {
	if z.n == 0 {
		return
	}
	for i := c.n - n; i < c.n; i++ {
		if c.q[i&c.mask]&daq.Saturated == 0 {
			c.v[i&c.mask] -= z.at(c.t[i&c.mask])
		}
	}
}

// others is the sum of the tones but number i.
func (z *pulsation) others(t int64, i int) float64 {
	v := 0.0
	for k := range z.tones[:z.n] {
		if k != i {
			v += z.tones[k].at(t)
		}
	}
	return v
}

// due is when tones are looked at next; from t on if never yet.
func (z *pulsation) due(t int64) int64 {
	if z.lookT == 0 {
		z.wait, z.pace = seekNs, tuneNs
		z.lookT, z.seekT = t+seekNs, t+seekNs
	}
	return z.lookT
}

// track looks for tones and follows those known.
func (m *Monitor) track(c *channel) {
	p := c.p
	z := &p.pulse
	now := c.lastT
	z.lookT = now + z.pace
	if c.period == 0 || p.sigma() == 0 {
		return
	}
	for i := 0; i < z.n; i++ {
		had := z.n
		if u, ok := p.turned(&z.tones[i]); ok {
			p.turn(i, u)
			m.absolve(c, u)
		} else if !p.tune(i) {
			p.untone(i, 0)
		}
		i -= had - z.n
	}
	if now >= z.seekT {
		z.wait = min(z.wait*3/2, seekMostNs)
		if z.n < tonesMost && p.seek(m, c) {
			z.wait = seekNs
		}
		z.seekT = now + z.wait
	}
	if z.n == 0 {
		z.lookT = z.seekT
	}
}

// settle has tones fitted less often where they are well foretold.
func (z *pulsation) settle(well bool) {
	if well {
		z.pace = min(z.pace*3/2, tuneMostNs)
	} else {
		z.pace = tuneNs
	}
}

// hurry has tones looked for soon, as something has changed at bench time now.
func (z *pulsation) hurry(now int64) {
	z.wait = seekNs
	z.seekT = min(z.seekT, now+seekNs)
	z.lookT = min(z.lookT, z.seekT)
}

// sound is the number of the first of the newest samples without a hole, an event
// or saturation between them.
func (p *pressure) sound(most int) int {
	return p.whole(most, max(p.lastFall+1, p.step.at+1))
}

// whole is the number of the first of the newest samples from number first on
// without a hole or saturation between them.
func (p *pressure) whole(most, first int) int {
	end, gap := p.cap.n, int64(1.6e9/p.rate)
	from := max(p.cap.oldest(), end-most, first)
	for i := end - 1; i >= from; i-- {
		k := i & p.cap.mask
		if v := p.cap.v[k]; p.cap.q[k]&(daq.Bad|daq.Saturated) != 0 || v != v || i > from && p.cap.t[k]-p.cap.t[(i-1)&p.cap.mask] > gap {
			return i + 1
		}
	}
	return from
}

// tone takes off one tone more, also of what is held from sample number from on.
func (p *pressure) tone(o *tone, from int) {
	z := &p.pulse
	z.tones[z.n] = *o
	z.n++
	p.cap.keepRaw()
	p.cap.marks++
	for i := from; i < p.cap.n; i++ {
		k := i & p.cap.mask
		p.cap.v[k] -= o.at(p.cap.t[k])
	}
}

// untone no longer takes off tone i, nor from what is held from sample number
// from on.
func (p *pressure) untone(i, from int) {
	z := &p.pulse
	copy(z.tones[i:], z.tones[i+1:z.n])
	z.n--
	p.retake(from)
}

// retake takes off what is now known of the tones from sample number from on, and
// goes through it anew.
func (p *pressure) retake(from int) {
	p.cap.marks++
	for k := max(from, p.cap.oldest()); k < p.cap.n; k++ {
		j := k & p.cap.mask
		if p.cap.q[j]&daq.Saturated == 0 {
			p.cap.v[j] = p.cap.whole[j] - p.pulse.at(p.cap.t[j])
		}
	}
	p.replay(p.lastFall + 1)
}

// told is what a window says of the tones.
func (z *pulsation) told() (tones []Tone) {
	for i := range z.tones[:z.n] {
		o := &z.tones[i]
		tones = append(tones, Tone{HzNominal: o.hz, AmplitudePa: math.Sqrt(2 * o.power())})
	}
	return tones
}
