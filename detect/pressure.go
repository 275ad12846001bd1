package detect

import (
	"math"

	"ventward/daq"
)

const (
	levelsMax = 4
	// Nothing is called before learnS and learnLeast samples of a trace, and only
	// what is sharp, within sharpS or sharpLeast, before youngS and youngLeast: what
	// is slower may come back as it did before anybody looked.
	learnS     = 0.06 // s
	learnLeast = 100  // samples
	youngS     = 0.3  // s
	youngLeast = 600  // samples
	sharpS     = 0.010
	sharpLeast = 4 // samples
	// overlap makes up for windows that mostly fire together, and for what the
	// spike-proof second look takes away: found on white noise at 1e4 to 1e6
	// samples between false alarms.
	overlap    = 2.1
	spikeLen   = 3 // longest excursion that must not trigger
	excursion  = 7 // longest excursion that is taken back when it has come back
	feedDelay  = 8 // samples by which the slower levels lag, so that excursions are out
	fillShort  = 64
	fillMax    = 20000
	spikeSigma = 6.0
	// spikeBegins is when the step of the codes is known, and the noise with it;
	// before that only a departure by strayJumps of the usual limit and strayCodes
	// of the least step seen is suspected.
	spikeBegins = 5*blockLen + 16
	strayJumps  = 5
	strayCodes  = 8
	// wobbleNoise is how many standard deviations of a sample its departure from
	// the mean of the four before is at most by chance: sqrt(1.25) of 3.7.
	wobbleNoise = 4.2
	trimRest    = 64 // samples after a gap in which a fall must pass the level before it
)

// phase tells what the trace is doing since the last departure.
type phase int8

const (
	calm    phase = iota
	falling       // blowing down: a settling fall bends upwards
	rising        // stepping up: a settling rise bends downwards
)

// A pressure is the online trigger of one specimen pressure channel.
type pressure struct {
	base   float64 // subtracted from every value, so that sums stay small
	begun  bool
	levels [levelsMax]level
	nl     int
	acc    [levelsMax]float64
	cnt    [levelsMax]int
	noise  noise
	code   float64 // quantisation step, Pa; 0: none known

	// spikes: departures of one sample from the mean of the four before it
	jump   float64
	dep    noiseBlock
	wobble wobble
	crest  float64 // recent largest ordinary departure, decaying
	run    int     // samples away since ref
	doubt  int     // event that the excursion under way has triggered; 0: none
	ref    float64
	peak   float64

	phase     phase
	phaseEnd  int // sample of level 0 at which calm returns
	noiseFrom int // sample of level 0 from which the noise is looked at again
	gapEnd    int // sample of level 0 until which gapLevel binds
	gapLevel  float64
	stay      int  // values of the slower level for which a suspect stays down
	bridged   int  // sample of level 0 up to which missing ones were filled in
	saturated int  // sample of level 0 up to which saturation matters
	fresh     bool // disturbed only because the channel is new
	lastRise  int  // event of the last supply step
	step      lift
	first     lift // of the course of steps that goes on
	lastFall  int  // capture number of the last event's onset
	disturbed int  // sample of level 0 up to which something that comes back is about
	suspect   suspect
	sunk      bool // the suspect has proved to be a fall
	ebb       ebb
	high      float64
	seep      seep
	swell     swell
	pulse     pulsation
	rate      float64 // Hz
	cap       *capture
}

// A noiseBlock is a clipped second moment that starts at a guess.
type noiseBlock struct {
	v, acc float64
	fill   int
	n      int
}

func (b *noiseBlock) push(x2 float64) bool {
	if c := clipSigma * clipSigma * b.v; x2 > c {
		x2 = c
	}
	b.acc += x2
	b.fill++
	if b.fill < blockLen {
		return false
	}
	b.n = min(b.n+1, 64)
	b.v += (b.acc/(blockLen*clipBias) - b.v) / float64(b.n+1)
	b.acc, b.fill = 0, 0
	return true
}

// A wobble is how far the trace swings about its own smooth course after a
// departure: ringing of the line. It leaves the newest values out, so that a
// fresh departure does not hide itself. Downwards counts as well: of swings
// upwards alone too few come before the next fall (20 false second openings on
// 304 traces with openings instead of 6).
type wobble struct {
	mean float64
	cur  float64 // largest of this block
	old  float64 // largest of the blocks before the last, decaying
	last float64
	n    int
}

func (w *wobble) push(e float64) {
	if w.n == 0 {
		w.mean = e // what is under way already is no swing
	}
	d := e - w.mean
	w.mean += d / 8
	w.cur = max(w.cur, math.Abs(d))
	if w.n++; w.n&(octave-1) == 0 {
		w.old = max(w.last, w.old*0.92)
		w.last, w.cur = w.cur, 0
	}
}

// swing is the amplitude of what swings beyond noise of standard deviation sigma.
func (w *wobble) swing(sigma float64) float64 {
	noise := wobbleNoise * sigma
	if w.old <= noise {
		return 0
	}
	return math.Sqrt(w.old*w.old - noise*noise)
}

// setRate builds the pyramid: as many levels as it takes for the longest
// window to hold a second.
func (p *pressure) setRate(rateHz, share float64) {
	if rateHz <= 0 {
		rateHz = 1
	}
	p.nl = 1
	for div := octave; p.nl < levelsMax && float64(gapFull*div/octave) < rateHz; div *= octave {
		p.nl++
	}
	tests := p.tests(rateHz / share)
	div := 1
	for i := range p.nl {
		l := &p.levels[i]
		if i == 0 {
			l.init(div, []int{4, 8, 16, 32})
		} else {
			l.init(div, []int{8, 16, 32})
		}
		for k := range l.win[:l.nw] {
			w := &l.win[k]
			w.z = thresholdFor(overlap*share/float64(tests)/rateHz*float64(div), w.length)
		}
		l.deaf = int(max(learnS*rateHz, learnLeast)) / div
		l.young = int(max(youngS*rateHz, youngLeast)) / div
		l.sharp = max(int(sharpS*rateHz), sharpLeast) / div
		div *= octave
	}
	p.stay = max(octave/2, int(stayS*rateHz)/octave)
	p.rate = rateHz
	p.fresh = true
	p.disturb(int(rateHz)) // nobody knows yet what is about on this channel
}

// tests is how many sums share the false alarms that come once in so many
// samples: those whose longest baseline can be full by then. Between alarms that
// come sooner, each of which makes them begin anew, the slower ones are deaf.
func (p *pressure) tests(between float64) int {
	n, div := 4, octave
	for range p.nl - 1 {
		if float64(spanMax*div) < between {
			n += 3
		}
		div *= octave
	}
	return n
}

// restart makes every level begin anew at the next sample.
func (p *pressure) restart() { p.restartFrom(0, 0) }

// restartFrom makes the levels from number i on begin anew after a departure
// that began back samples ago. Those that are faster have followed it already
// and keep what came after its onset.
func (p *pressure) restartFrom(i, back int) {
	for k := range i {
		p.levels[k].renew(back / p.levels[k].div)
	}
	for k := i; k < p.nl; k++ {
		p.levels[k].restart()
		p.acc[k], p.cnt[k] = 0, 0
	}
	if i > 0 {
		p.acc[i-1], p.cnt[i-1] = 0, 0
	}
	if i < 2 {
		p.cnt[0] = -feedDelay
	}
	if i == 0 {
		p.run, p.doubt = 0, 0
	}
}

// push takes valid samples up to the first that has to be attended to: a level
// may have fired at it, an excursion before it turned out to be a spike, or the
// trace is not calm. It returns how many it took, the level (-1: none) and the
// number of samples of the spike.
func (p *pressure) push(s []daq.Sample) (taken, fired, spiked int) {
	l0 := &p.levels[0]
	for i := range s {
		v := s[i].V - p.base
		if p.pulse.n > 0 && s[i].Q&daq.Saturated == 0 { // a reading at its end holds no tone
			v -= p.pulse.at(s[i].T)
		}
		e := v - l0.newestMean()
		if p.run > 0 || p.phase != calm || math.Abs(e) > p.jump {
			spiked = p.depart(v, e)
		} else if l0.n&3 == 0 && p.dep.push(e*e) {
			p.rejump()
		}
		l0.odd = p.run > 0
		fired = -1
		if l0.push(v) {
			fired = 0
		}
		// the noise is taken where spikes are out already
		if l0.n > p.noiseFrom && p.noise.push(l0.ring[(l0.n-1-excursion)&ringMask]) {
			p.rescale()
		}
		if f := p.feed(); f >= 0 && fired < 0 {
			fired = f
		}
		if fired >= 0 || spiked > 0 || p.phase != calm || p.sunk {
			return i + 1, fired, spiked
		}
		p.crown(s[i].V)
	}
	return len(s), -1, 0
}

// crown keeps the highest pressure that is no excursion's.
func (p *pressure) crown(v float64) {
	if p.run == 0 && v > p.high {
		p.high = v
	}
}

// depart looks at a sample v that departs by e from the mean of the four before
// it: by more than is ordinary, or while the trace is not calm.
func (p *pressure) depart(v, e float64) (spiked int) {
	l0, a := &p.levels[0], math.Abs(e)
	switch {
	case p.run > 0:
		spiked = p.away(v)
	case a > p.jump && p.jump > 0 && l0.n-l0.since > 4 && p.stray(a):
		p.run, p.ref, p.peak, p.doubt = 1, l0.newestMean(), e, 0
	default:
		if l0.n&3 == 0 && p.dep.push(e*e) {
			p.rejump()
		}
		if p.phase != calm {
			p.crest = max(a, p.crest*0.995)
		}
	}
	if p.phase != calm {
		p.wobble.push(e)
	}
	return spiked
}

// stray tells whether a departure beyond the limit may be suspected of a spike:
// until the step of the codes is known only a gross one.
func (p *pressure) stray(a float64) bool {
	return p.levels[0].n > spikeBegins ||
		p.noise.least > 0 && a > strayJumps*p.jump && a > strayCodes*p.noise.least
}

// away follows an excursion: back within three samples it was a spike, and is
// taken out; longer, it is the pressure.
func (p *pressure) away(v float64) (spiked int) {
	e := v - p.ref
	if math.Abs(e) < p.jump*0.7 && math.Abs(e) < 0.35*math.Abs(p.peak) {
		for i := range p.run {
			p.levels[0].patch(i, p.ref)
		}
		spiked = p.run
		p.run = 0
		if p.doubt != 0 { // it had triggered: go on as before
			for i := range p.levels[:p.nl] {
				p.levels[i].resume()
			}
			p.phase = calm
		}
		return spiked
	}
	if math.Abs(e) > math.Abs(p.peak) {
		p.peak = e
	}
	p.run++
	if p.run > excursion {
		p.run, p.doubt = 0, 0
		if p.phase != calm {
			p.crest = math.Max(p.crest, math.Abs(p.peak))
		}
	}
	return 0
}

// rejump sets the departure beyond which a sample is suspected of a spike.
func (p *pressure) rejump() {
	p.crest *= 0.3
	p.jump = math.Max(spikeSigma*math.Sqrt(p.dep.v), 1.6*p.code)
	p.jump = math.Max(p.jump, 1.2*p.crest)
}

// rescale hands the noise estimate to the levels.
func (p *pressure) rescale() {
	s := p.noise.sigma()
	p.code = math.Max(p.code, p.noise.code())
	p.cap.limit = 2 * spikeSigma * s
	// The clipped moment of departures grows too slowly from a guess far too low:
	// that of a start on one code.
	if white := 1.25 * s * s; p.dep.v < white/2 {
		p.dep = noiseBlock{v: white}
		p.rejump()
	}
	analog := math.Sqrt(math.Max(0, s*s-p.code*p.code/12))
	quant := quantBound(analog, p.code)
	for i := range p.levels[:p.nl] {
		l := &p.levels[i]
		l.sigma = s / math.Sqrt(float64(l.div))
		l.quant = quant
		for k := range l.win[:l.nw] {
			if i > 0 {
				w := &p.levels[i-1].win[k+p.levels[i-1].nw-l.nw]
				l.win[k].kin = w.excess(p.levels[i-1].sigma)
			}
		}
		if swept := math.Abs(l.slope); quant > 0 && swept > p.code {
			l.quant *= p.code / swept
		}
	}
}

// quantBound is the largest systematic error that rounding to steps of q adds
// to the mean of samples with Gaussian noise of standard deviation s: the
// first term of the Fourier series of the rounding error, q/pi
// exp(-2 pi^2 s^2/q^2) (B. Widrow and I. Kollar, Quantization Noise, Cambridge
// 2008), with half as much again for the further terms, at most q/2.
func quantBound(s, q float64) float64 {
	if q <= 0 {
		return 0
	}
	x := s / q
	return math.Min(q/2, 1.5*q/math.Pi*math.Exp(-2*math.Pi*math.Pi*x*x))
}

// feed hands samples that are old enough to the slower levels, and returns the
// fastest of them that has fired; -1: none.
func (p *pressure) feed() int {
	if p.cnt[0]++; p.cnt[0] < octave {
		return -1
	}
	return p.feedMean()
}

func (p *pressure) feedMean() int {
	p.cnt[0] = 0
	l0 := &p.levels[0]
	at := l0.n - 1 - feedDelay
	x := (l0.cum[at&ringMask] - l0.cum[(at-octave)&ringMask]) / octave
	fired := -1
	p.ebb.push(x)
	for i := 1; i < p.nl; i++ {
		if p.levels[i].push(x) && fired < 0 {
			fired = i
		}
		p.acc[i] += x
		p.cnt[i]++
		if p.cnt[i] < octave {
			break
		}
		x = p.acc[i] / octave
		p.acc[i], p.cnt[i] = 0, 0
	}
	p.sunk = p.suspect.on && p.deepens()
	return fired
}

// bridge fills a hole of missing samples with the line of the fastest level
// whose baseline is long enough; without one everything begins anew.
func (p *pressure) bridge(missing int) {
	l0 := &p.levels[0]
	p.noise.cut()
	p.noiseFrom = l0.n + excursion + 1
	if p.run > 0 && p.run <= spikeLen && p.doubt == 0 { // what ran into the hole was part of the fault
		for i := range p.run {
			l0.patch(i, p.ref)
		}
	}
	p.run, p.doubt = 0, 0
	if l0.n == 0 {
		return
	}
	for i := range p.levels[:p.nl] {
		l := &p.levels[i]
		if l.span < 2*spanLeast || l.span*l.div < missing || missing > fillMax {
			continue
		}
		v, slope := l.at(0), l.slope/float64(l.div)
		if i > 0 { // a slower level lags by what is still gathered
			v += slope * (float64(l.div)/2 + feedDelay)
		}
		p.gapLevel = l0.newestMean()
		seen := p.ebb
		for k := 1; k <= missing; k++ {
			l0.push(v + slope*float64(k))
			p.feed()
		}
		p.ebb, p.suspect.on, p.sunk = seen, false, false
		p.bridged = l0.n
		p.noiseFrom = l0.n + excursion + 1
		if missing >= 4 {
			p.gapEnd = l0.n + trimRest
		}
		return
	}
	p.restart()
	p.phase = calm
}

// excess is how many times white noise the noise of the longest sums is.
func (p *pressure) excess() float64 {
	x := 1.0
	for i := range p.levels[:p.nl] {
		l := &p.levels[i]
		x = math.Max(x, l.win[l.nw-1].excess(l.sigma))
	}
	return x
}

// disturb notes for so many samples that something is about that comes back,
// such as hum: it is learnt as noise, and only new lows count.
func (p *pressure) disturb(samples int) {
	p.disturbed = p.levels[0].n + max(spanMax, samples)
	p.fresh = p.fresh && p.levels[0].n == 0
	if p.cap.n > 0 {
		p.pulse.hurry(p.cap.t[(p.cap.n-1)&p.cap.mask])
	}
	for i := range p.levels[:p.nl] {
		l := &p.levels[i]
		l.study = l.n + max(spanMax, samples/l.div)
	}
}

// sigma is the standard deviation of one sample; 0: not known yet.
func (p *pressure) sigma() float64 {
	if !p.noise.ready() {
		return 0
	}
	return p.noise.sigma()
}
