package analysis

import "math"

// A reaction is what a supply that is on its way to a new pressure does when the
// vessel opens.
type reaction uint8

const (
	follows reaction = iota // it gives more as the pressure falls
	chokes                  // it does, up to what its orifice lets through
	ignores                 // what flows in goes on as if nothing had opened
)

var reactions = []reaction{follows, chokes, ignores}

// reacting sets up the fits for one reaction.
func (a *opening) reacting(r reaction) { a.capped, a.ignoring = r == chokes, r == ignores }

// reaction is the one that fits are set up for.
func (a *opening) reaction() reaction {
	switch {
	case a.capped:
		return chokes
	case a.ignoring:
		return ignores
	}
	return follows
}

// react gives a course the reaction that fits are set up for.
func (a *opening) react(c *course) {
	c.blind = a.ignoring
	switch {
	case !a.capped:
		c.cap = 0
	case c.cap <= 0:
		c.cap = a.stepFlow()
	}
}

// stepFlow is about the most that flowed in for the step, Pa/s.
func (a *opening) stepFlow() float64 { return a.past.size / math.Max(a.past.tau, a.s.dt) }

// likeliestStep is the best fit over the reactions of a supply's step, and sets
// fits up for it: the one that explains most of the fall, and that best.
func (a *opening) likeliestStep() *profile {
	var best *profile
	var kept opening
	least := math.Inf(1)
	for _, r := range reactions {
		a.forget()
		a.reacting(r)
		p := a.likeliest()
		if p == nil {
			continue
		}
		misfit := a.misfit(p)
		if best == nil || misfit < least || misfit == least && (a.used > kept.used || a.used == kept.used && p.chi2 < best.chi2) {
			best, kept, least = p, *a, misfit
		}
		if least == 1 && kept.used == len(a.b.t) && kept.rings == kept.stated() { // the others are weighed against it all the same
			break // a line that was heard may be what another reaction does
		}
	}
	if best != nil {
		*a = kept
	}
	return best
}

// orReacts adds the other reactions of a supply's step to the fit under the
// likeliest. On the step itself they may look alike; what they give to the fall
// does not.
func (a *opening) orReacts(best *profile, hidden bool) {
	own := a.reaction()
	a.share(a.reactionShare())
	for _, r := range reactions {
		if r == own {
			continue
		}
		a.reacting(r)
		c := best.course
		a.react(&c)
		_, free := a.bounds()
		a.under(c, free, hidden, a.reactionShare())
	}
	a.reacting(own)
}

// reactionShare is the logarithm of the prior share of a reaction against that
// of the others: each is as likely, and a limit has its own prior density.
func (a *opening) reactionShare() float64 {
	if a.capped {
		return -math.Log(capSD)
	}
	return 0
}
