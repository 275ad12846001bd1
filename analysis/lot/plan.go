package lot

import (
	"fmt"
	"math"
)

// A Plan is advice on how many shots a statement takes.
type Plan struct {
	// Shots is the smallest n whose tolerance factor fits the margin that the
	// mean and s seen leave; 0: none up to Most.
	Shots int
	Most  int
	// ZeroFailures is the number of shots within limits, none outside, that
	// shows the same statement without any distribution.
	ZeroFailures int
	K            float64 // the factor that the margin allows
}

const mostPlanned = 2000

// Advise tells how many shots would show the statement if mean and s stayed as
// they are. With two limits the nearer one counts (a mean in the middle would
// need fewer).
func Advise(mean, s float64, l Limits, confidence, coverage float64) (Plan, error) {
	zero, err := FreeSize(confidence, coverage)
	if err != nil {
		return Plan{}, err
	}
	p := Plan{Most: mostPlanned, ZeroFailures: zero}
	if !l.Any() || !(s > 0) {
		return p, fmt.Errorf("lot: advice on the number of shots needs a limit and a spread")
	}
	p.K = math.Inf(1)
	if l.Low != nil {
		p.K = math.Min(p.K, (mean-*l.Low)/s)
	}
	if l.High != nil {
		p.K = math.Min(p.K, (*l.High-mean)/s)
	}
	factor := OneSidedFactor
	if l.Both() {
		factor = TwoSidedFactor
	}
	enough := func(n int) bool { k, err := factor(n, confidence, coverage); return err == nil && k <= p.K }
	if !enough(mostPlanned) {
		return p, nil
	}
	lo, hi := 1, mostPlanned // the factor falls with n
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; enough(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	p.Shots = hi
	return p, nil
}
