package lot

import (
	"fmt"
	"math"
)

// Limits are the acceptance limits of a feature in Pa gauge. A nil limit
// doesn't exist.
type Limits struct {
	Low, High *float64
	From      string // where they were taken from, in words; empty: not told
}

// Any tells whether there is a limit at all.
func (l Limits) Any() bool { return l.Low != nil || l.High != nil }

// Both tells whether there are two.
func (l Limits) Both() bool { return l.Low != nil && l.High != nil }

// Holds tells whether a value lies within the limits, ends included.
func (l Limits) Holds(v float64) bool {
	return (l.Low == nil || v >= *l.Low) && (l.High == nil || v <= *l.High)
}

// Capability relates the spread to the limits.
type Capability struct {
	Cp       *float64 // (high - low)/(6 s); absent with one limit
	Cpk      float64  // distance of the mean to the nearer limit over 3 s
	CpkLower float64  // lower confidence bound of Cpk
}

// Capable computes the capability indices and the lower bound of Cpk at the
// given confidence, Cpk - z sqrt(1/(9 n) + Cpk²/(2(n-1))) (Bissell 1990; from
// memory). s > 0 and n >= 2.
func Capable(mean, s float64, n int, l Limits, confidence float64) (Capability, error) {
	if !l.Any() || n < 2 || !(s > 0) {
		return Capability{}, fmt.Errorf("lot: capability needs a limit and 2 shots that differ (n = %d, s = %v)", n, s)
	}
	c := Capability{Cpk: math.Inf(1)}
	if l.Low != nil {
		c.Cpk = math.Min(c.Cpk, (mean-*l.Low)/(3*s))
	}
	if l.High != nil {
		c.Cpk = math.Min(c.Cpk, (*l.High-mean)/(3*s))
	}
	if l.Both() {
		cp := (*l.High - *l.Low) / (6 * s)
		c.Cp = &cp
	}
	c.CpkLower = c.Cpk - quantile(confidence)*math.Sqrt(1/(9*float64(n))+c.Cpk*c.Cpk/(2*float64(n-1)))
	return c, nil
}

// Repeatability compares the measurement's own spread with that of the lot.
type Repeatability struct {
	Ratio  float64 // s of the measurement over s of the process
	Limit  float64 // what the ratio may be
	Enough bool
}

// repeatabilityLimit is a tenth: common practice, no source.
const repeatabilityLimit = 0.10

// CheckRepeatability judges whether the measurement is fine enough to describe
// the lot: its standard deviation at most a tenth of the process's. total is
// the s seen in the lot, which contains the measurement's own; measurement < total.
func CheckRepeatability(measurement, total float64) (Repeatability, error) {
	if !(measurement >= 0) || !(total > measurement) {
		return Repeatability{}, fmt.Errorf("lot: repeatability: the measurement's s (%v) must be at least zero and below the lot's s (%v): measure the repeatability on one piece", measurement, total)
	}
	process := math.Sqrt((total - measurement) * (total + measurement))
	r := Repeatability{Ratio: measurement / process, Limit: repeatabilityLimit}
	r.Enough = r.Ratio <= r.Limit
	return r, nil
}

// PooledSD returns the standard deviation within groups of repeated readings
// and its degrees of freedom: the repeatability of the measurement.
func PooledSD(groups [][]float64) (s float64, nu int, err error) {
	sum := 0.0
	for _, g := range groups {
		if len(g) > 1 {
			sum += squares(g)
			nu += len(g) - 1
		}
	}
	if nu == 0 {
		return math.NaN(), 0, fmt.Errorf("lot: repeatability needs a piece that was read twice or more")
	}
	return math.Sqrt(sum / float64(nu)), nu, nil
}
