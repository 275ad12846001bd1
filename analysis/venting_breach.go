package analysis

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// VentingSpread holds the standard uncertainties (k = 1) of a case's inputs
// beside the scatter of its features. All but the open fraction are drawn
// normal and cut at a hundredth of the nominal value.
type VentingSpread struct {
	AmountRel    float64 // amount of gas
	DurationRel  float64 // of the generation
	TemperatureK float64 // of the gas
	VolumeRel    float64 // free volume
	TopAreaRel   float64 // C_d·A of the top vent
	BottomRel    float64 // C_d·A of the bottom vent
	HotFactor    float64 // of the housing
	OpenLow      float64 // open fraction of the top vent, rectangular from OpenLow
	OpenHigh     float64 // to OpenHigh; both 0: as in the case

	// Before is asked before each trial, by whoever runs a long estimate beside
	// something more important; false ends it with ErrStopped. nil: go on.
	Before func() bool
}

// ErrStopped ends an estimate that its caller no longer wants.
var ErrStopped = errors.New("stopped before all trials were simulated")

// Breach is a simulated count of breaches.
type Breach struct {
	Trials     int
	Breaches   int
	P          float64 // Breaches/Trials
	Lower      float64 // exact one-sided bounds (Clopper and Pearson) of the
	Upper      float64 // simulated probability, each at Confidence
	Confidence float64
	WrongOrder int     // trials in which the bottom vent opened before the top
	PeakPa     float64 // median of the peaks, gauge
	Peak95Pa   float64 // 95th percentile
}

// BinomialBounds are the exact one-sided bounds of a probability after k of n
// (Clopper and Pearson 1934), each at the confidence given.
func BinomialBounds(k, n int, confidence float64) (lower, upper float64) {
	upper = 1
	if k < n {
		upper = mathext.InvRegIncBeta(float64(k+1), float64(n-k), confidence)
	}
	if k > 0 {
		lower = mathext.InvRegIncBeta(float64(k), float64(n-k+1), 1-confidence)
	}
	return lower, upper
}

// A Chance is a source of numbers evenly spread over [0, 1). Whoever calls
// seeds it: the same chance gives the same result.
type Chance func() float64

func (c Chance) normal() float64 { return distuv.UnitNormal.Quantile(c.open()) }

// open is never 0.
func (c Chance) open() float64 { return math.Max(c(), 1e-16) }

// piece draws the pressure of one further specimen of a lot, Pa: with n pieces
// known, the predictive distribution mean + s·sqrt(1+1/n)·t of n-1 degrees of
// freedom, so that a mean of few pieces isn't taken for the truth.
func (c Chance) piece(s Scatter) float64 {
	x := s.MeanPa
	switch u := c.open(); {
	case s.SDPa == 0:
	case s.Pieces < 2:
		x += s.SDPa * distuv.UnitNormal.Quantile(u)
	default:
		n := float64(s.Pieces)
		x += s.SDPa * math.Sqrt(1+1/n) * distuv.StudentsT{Sigma: 1, Nu: n - 1}.Quantile(u)
	}
	return math.Max(x, 0.01*s.MeanPa)
}

// scaled draws a factor of mean 1.
func (c Chance) scaled(rel float64) float64 { return math.Max(1+rel*c.normal(), 0.01) }

// draw is the case with everything drawn. The number of draws from the chance
// doesn't depend on the case, so that cases compared with one seed share them.
func (c *VentingCase) draw(s VentingSpread, chance Chance) VentingCase {
	d := *c
	d.Top.Opening = Scatter{MeanPa: chance.piece(c.Top.Opening)}
	bottom := chance.open()
	d.Housing.Cold = Scatter{MeanPa: chance.piece(c.Housing.Cold)}
	d.Housing.HotFactor = math.Min(math.Max(c.Housing.HotFactor+s.HotFactor*chance.normal(), 0.01), 1)
	amount, duration, kelvin := chance.scaled(s.AmountRel), chance.scaled(s.DurationRel), s.TemperatureK*chance.normal()
	d.FreeVolume *= chance.scaled(s.VolumeRel)
	d.Inside.HeadspaceM3 *= d.FreeVolume / c.FreeVolume
	d.Top.AreaM2 *= chance.scaled(s.TopAreaRel)
	bottomArea, open := chance.scaled(s.BottomRel), chance()
	if s.OpenHigh > 0 {
		d.Top.OpenFraction = s.OpenLow + (s.OpenHigh-s.OpenLow)*open
	}
	if c.Bottom != nil {
		b := *c.Bottom
		b.Opening = Scatter{MeanPa: Chance(func() float64 { return bottom }).piece(b.Opening)}
		b.AreaM2 *= bottomArea
		d.Bottom = &b
	}
	g := &c.Generation
	d.Generation = Generation{TimeS: make([]float64, len(g.TimeS)), RateMolS: make([]float64, len(g.TimeS)), TemperatureK: make([]float64, len(g.TemperatureK))}
	for i := range g.TimeS {
		d.Generation.TimeS[i] = g.TimeS[0] + duration*(g.TimeS[i]-g.TimeS[0])
		d.Generation.RateMolS[i] = g.RateMolS[i] * amount / duration
	}
	for i, T := range g.TemperatureK {
		d.Generation.TemperatureK[i] = math.Max(T+kelvin, 0.1*T)
	}
	d.TailS = 0
	return d
}

// Breach simulates trials with everything drawn and counts those in which the
// peak reaches the hot strength of the housing. The bounds cover the number of
// trials, not what the model leaves out.
func (c *VentingCase) Breach(s VentingSpread, trials int, confidence float64, chance Chance) (Breach, error) {
	if err := c.Check(); err != nil {
		return Breach{}, err
	}
	switch {
	case trials < 1 || trials > 1e6:
		return Breach{}, fmt.Errorf("%d trials: give from 1 to a million", trials)
	case !(confidence > 0 && confidence < 1):
		return Breach{}, fmt.Errorf("confidence %g: give one above 0 and below 1", confidence)
	case s.OpenLow < 0 || s.OpenHigh > 1 || s.OpenLow > s.OpenHigh:
		return Breach{}, fmt.Errorf("open fraction from %g to %g: give 0 <= low <= high <= 1", s.OpenLow, s.OpenHigh)
	}
	b := Breach{Trials: trials, Confidence: confidence}
	peaks := make([]float64, 0, trials)
	for i := range trials {
		if s.Before != nil && !s.Before() {
			return b, ErrStopped
		}
		d := c.draw(s, chance)
		r, err := d.simulate(venting{relTol: 5e-4})
		if err != nil {
			return b, fmt.Errorf("trial %d of %d: %w", i+1, trials, err)
		}
		peaks = append(peaks, r.PeakPa)
		if !r.Holds {
			b.Breaches++
		}
		if len(r.Openings) > 0 && r.Openings[0].Feature == BottomVent {
			b.WrongOrder++
		}
	}
	sort.Float64s(peaks)
	b.PeakPa = quantile(peaks, 0.5)
	b.Peak95Pa = quantile(peaks, 0.95)
	b.P = float64(b.Breaches) / float64(trials)
	b.Lower, b.Upper = BinomialBounds(b.Breaches, trials, confidence)
	return b, nil
}

// quantile of sorted values, linear between them (Hyndman and Fan's type 7).
func quantile(sorted []float64, q float64) float64 {
	h := q * float64(len(sorted)-1)
	i := int(h)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}

// LeastOpen is the least open fraction of the top vent with which the nominal
// peak stays below the hot strength, within 0.001: 0 where the housing holds
// with the top vent plugged, and ok false where it does not hold even with it
// wide open.
func (c *VentingCase) LeastOpen() (fraction float64, ok bool, err error) {
	holds := func(x float64) bool {
		if err != nil {
			return false
		}
		d := *c
		d.Top.OpenFraction = x
		d.TailS = 0
		var r VentingResult
		r, err = d.simulate(venting{relTol: 1e-4, only: true})
		return err == nil && r.Holds
	}
	switch {
	case holds(0):
		return 0, true, nil
	case !holds(1):
		return 1, false, err
	}
	lo, hi := 0.0, 1.0
	for hi-lo > 0.001 && err == nil {
		if mid := (lo + hi) / 2; holds(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi, true, err
}
