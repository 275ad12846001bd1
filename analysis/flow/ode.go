package flow

import (
	"fmt"
	"math"
)

// A Rate writes dy/dt at (t, y) into dy. It keeps neither slice.
type Rate func(t float64, y, dy []float64)

// An Event is a value that changes sign where something happens; only a rise
// through nought counts.
type Event func(t float64, y []float64) float64

// ODE is an initial-value problem.
type ODE struct {
	Rate   Rate
	Events []Event
	// Observe is called at the start, after every accepted step and at an event;
	// it keeps no slice. May be nil.
	Observe func(t float64, y []float64)
	RelTol  float64   // relative tolerance of a step; 0 is read as 1e-6
	AbsTol  []float64 // absolute tolerance, one an element
	MaxStep float64   // longest step; 0: no limit
	Steps   int       // most steps; 0 is read as 200000
	// Tridiagonal says that an element's rate depends on its neighbours only. The
	// implicit solver needs it; a single element always is.
	Tridiagonal bool
}

// A Halt says where a solution ended.
type Halt struct {
	T     float64
	Event int // index of the event, -1: the end was reached
	Steps int // taken
	Tries int // refused steps
}

func (p *ODE) defaults(y []float64) error {
	if p.RelTol <= 0 {
		p.RelTol = 1e-6
	}
	if p.Steps <= 0 {
		p.Steps = 200000
	}
	if len(p.AbsTol) != len(y) {
		return fmt.Errorf("%d absolute tolerances for %d elements: give one each", len(p.AbsTol), len(y))
	}
	return nil
}

// The pair of Dormand and Prince, orders 5 and 4 (J. Comput. Appl. Math. 6
// (1980) 19).
var (
	dpC = [7]float64{0, 1. / 5, 3. / 10, 4. / 5, 8. / 9, 1, 1}
	dpA = [7][6]float64{
		{},
		{1. / 5},
		{3. / 40, 9. / 40},
		{44. / 45, -56. / 15, 32. / 9},
		{19372. / 6561, -25360. / 2187, 64448. / 6561, -212. / 729},
		{9017. / 3168, -355. / 33, 46732. / 5247, 49. / 176, -5103. / 18656},
		{35. / 384, 0, 500. / 1113, 125. / 192, -2187. / 6784, 11. / 84},
	}
	dpE = [7]float64{71. / 57600, 0, -71. / 16695, 71. / 1920, -17253. / 339200, 22. / 525, -1. / 40}
)

// A stepper tries one step of h from (t, y) with slope f and writes the end
// into yn, its slope into fn; err is the error over the tolerance.
type stepper interface {
	try(p *ODE, t, h float64, y, f, yn, fn []float64) (err float64)
	order() float64 // of the error in h
}

type dormandPrince struct {
	k   [7][]float64
	tmp []float64
}

func (s *dormandPrince) order() float64 { return 5 }

func (s *dormandPrince) try(p *ODE, t, h float64, y, f, yn, fn []float64) float64 {
	copy(s.k[0], f)
	for i := 1; i < 7; i++ {
		for j := range y {
			sum := 0.0
			for m := range i {
				sum += dpA[i][m] * s.k[m][j]
			}
			s.tmp[j] = y[j] + h*sum
		}
		p.Rate(t+dpC[i]*h, s.tmp, s.k[i])
	}
	copy(yn, s.tmp)
	copy(fn, s.k[6])
	sum := 0.0
	for j := range y {
		e := 0.0
		for m := range 7 {
			e += dpE[m] * s.k[m][j]
		}
		e *= h / (p.AbsTol[j] + p.RelTol*math.Max(math.Abs(y[j]), math.Abs(yn[j])))
		sum += e * e
	}
	return math.Sqrt(sum / float64(len(y)))
}

// Explicit integrates y from t0 to t1 with the explicit pair of Dormand and
// Prince and step control, in place, and stops at the first event. It suits
// problems that are not stiff.
func Explicit(p ODE, t0, t1 float64, y []float64) (Halt, error) {
	s := &dormandPrince{tmp: make([]float64, len(y))}
	for i := range s.k {
		s.k[i] = make([]float64, len(y))
	}
	return integrate(&p, s, t0, t1, y)
}

// A walk is one integration under way.
type walk struct {
	p            *ODE
	s            stepper
	t, h         float64
	y, f, yn, fn []float64
	was          []float64 // events' values at t
	halt         Halt
}

func integrate(p *ODE, s stepper, t0, t1 float64, y []float64) (Halt, error) {
	if err := p.defaults(y); err != nil {
		return Halt{}, err
	}
	if !(t1 > t0) || math.IsInf(t1, 0) {
		return Halt{T: t0, Event: -1}, fmt.Errorf("integration from %g s to %g s: give a later end", t0, t1)
	}
	n := len(y)
	w := &walk{p: p, s: s, t: t0, y: y, f: make([]float64, n), yn: make([]float64, n), fn: make([]float64, n), was: make([]float64, len(p.Events))}
	p.Rate(t0, y, w.f)
	for i, e := range p.Events {
		w.was[i] = e(t0, y)
	}
	if p.Observe != nil {
		p.Observe(t0, y)
	}
	w.h = w.firstStep(t1)
	for w.t < t1 {
		done, err := w.step(t1)
		if err != nil || done {
			w.halt.T = w.t
			return w.halt, err
		}
	}
	w.halt.T, w.halt.Event = w.t, -1
	return w.halt, nil
}

// firstStep moves an element by a hundredth of its scale at most.
func (w *walk) firstStep(t1 float64) float64 {
	h := t1 - w.t
	for j := range w.y {
		if v := math.Abs(w.f[j]); v > 0 {
			h = math.Min(h, 0.01*(w.p.AbsTol[j]/w.p.RelTol+math.Abs(w.y[j]))/v)
		}
	}
	return math.Max(h, 1e-12*(t1-w.t))
}

// step takes one accepted step; done tells that an event was met.
func (w *walk) step(t1 float64) (done bool, err error) {
	p := w.p
	for {
		if w.halt.Steps+w.halt.Tries >= p.Steps {
			return false, fmt.Errorf("more than %d steps up to %g s: the problem is too stiff for the tolerance; loosen it or shorten the time", p.Steps, w.t)
		}
		if p.MaxStep > 0 {
			w.h = math.Min(w.h, p.MaxStep)
		}
		h, last := w.h, false
		if w.t+h >= t1 {
			h, last = t1-w.t, true
		}
		e := w.s.try(p, w.t, h, w.y, w.f, w.yn, w.fn)
		if math.IsNaN(e) || e > 1e9 {
			e = 1e9
		}
		grow := math.Max(0.2, math.Min(5, 0.9*math.Pow(math.Max(e, 1e-10), -1/w.s.order())))
		if e > 1 {
			w.halt.Tries++
			w.h = h * math.Min(grow, 0.9)
			if w.h <= 1e-14*math.Max(math.Abs(w.t), math.Abs(t1)) {
				return false, fmt.Errorf("the step shrank to nothing at %g s: the rate has a jump or is not finite there", w.t)
			}
			continue
		}
		if k, te := w.firstEvent(w.t, h); k >= 0 {
			w.event(k, te)
			return true, nil
		}
		w.halt.Steps++
		w.t += h
		if last {
			w.t = t1
		} else {
			w.h = h * grow
		}
		w.accept()
		return false, nil
	}
}

func (w *walk) accept() {
	copy(w.y, w.yn)
	copy(w.f, w.fn)
	for i, e := range w.p.Events {
		w.was[i] = e(w.t, w.y)
	}
	if w.p.Observe != nil {
		w.p.Observe(w.t, w.y)
	}
}

// hermite is the cubic between the ends of the step at part x of it; it writes
// into out.
func (w *walk) hermite(h, x float64, out []float64) {
	for j := range w.y {
		d := w.yn[j] - w.y[j]
		out[j] = w.y[j] + x*d + x*(1-x)*((1-x)*(h*w.f[j]-d)+x*(d-h*w.fn[j]))
	}
}

// firstEvent is the earliest event that rises through nought within the step,
// and when; -1 for none.
func (w *walk) firstEvent(t, h float64) (int, float64) {
	best, at := -1, math.Inf(1)
	var tmp []float64
	for i, e := range w.p.Events {
		if w.was[i] > 0 || e(t+h, w.yn) <= 0 {
			continue
		}
		if tmp == nil {
			tmp = make([]float64, len(w.y))
		}
		lo, hi := 0.0, 1.0
		for range 60 {
			mid := (lo + hi) / 2
			w.hermite(h, mid, tmp)
			if e(t+mid*h, tmp) > 0 {
				hi = mid
			} else {
				lo = mid
			}
		}
		if hi*h < at {
			best, at = i, hi*h
		}
	}
	return best, at
}

// event ends the walk h after t.
func (w *walk) event(k int, h float64) {
	// the step is taken again up to the event: the cubic only said where it is
	w.s.try(w.p, w.t, h, w.y, w.f, w.yn, w.fn)
	w.t += h
	w.halt.Steps++
	w.halt.Event = k
	w.accept()
}
