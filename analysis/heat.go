package analysis

import (
	"fmt"
	"math"

	"ventward/analysis/flow"
)

// Criteria of a runaway's course.
const (
	// SelfHeatingKPerS is the rate at which a cell counts as heating itself in
	// stepwise calorimetry: 0.02 K/min (common practice; Feng et al., Energy
	// Storage Materials 10 (2018) 246, from memory).
	SelfHeatingKPerS = 0.02 / 60
	// RunawayKPerS for RunawayHoldS is condition c of GB 38031-2025, C.5.3.7: at
	// least 1 °C/s for more than 3 s. The standard's verdict needs a second
	// condition beside it: (a and c) or (b and c).
	RunawayKPerS = 1.0
	RunawayHoldS = 3.0
	// VoltageDropPart is condition a: a drop of more than 25 % of the initial
	// voltage.
	VoltageDropPart = 0.25
)

// Onset is where a rate was reached and held.
type Onset struct {
	TimeS, Value float64 // when, and the value (temperature, K) then
}

// FirstRise finds the first moment from which the slope of y over t, within the
// window (s), is at least rate and stays so for longer than hold (s); a gap in
// the data ends a stay. ok is false where there is none.
func FirstRise(t, y []float64, window, rate, hold float64) (o Onset, ok bool, err error) {
	d, err := Slope(t, y, window)
	if err != nil {
		return Onset{}, false, err
	}
	if !(hold >= 0) || math.IsNaN(rate) {
		return Onset{}, false, fmt.Errorf("rate %g held for %g s: give a number and a time of 0 or more", rate, hold)
	}
	start := -1
	for i := range t {
		switch {
		case !(d[i] >= rate) || math.IsNaN(y[i]):
			start = -1
		case start < 0:
			start = i
		}
		if start >= 0 && t[i]-t[start] > hold {
			return Onset{t[start], y[start]}, true, nil
		}
	}
	return Onset{}, false, nil
}

// RunawayVerdict is that of GB 38031-2025, C.5.3.7: a (voltage drop) and c
// (rate), or b (highest operating temperature) and c.
func RunawayVerdict(a, b, c bool) bool { return a && c || b && c }

// RatePoint is one point of the self-heating curve.
type RatePoint struct{ TemperatureK, RateKPerS float64 }

// SelfHeatingCurve is the rate over temperature, one point for each step of
// temperature (K) on the way up: the median of the positive slopes within it.
// This is what is drawn as log rate over -1/T.
func SelfHeatingCurve(t, kelvin []float64, window, step float64) ([]RatePoint, error) {
	d, err := Slope(t, kelvin, window)
	if err != nil {
		return nil, err
	}
	if !positive(step) {
		return nil, fmt.Errorf("step of %g K: give a positive one", step)
	}
	var out []RatePoint
	var rates, temps []float64
	bin, top := math.Inf(-1), math.Inf(-1)
	flush := func() {
		if len(rates) > 0 {
			out = append(out, RatePoint{median(temps), median(rates)})
		}
		rates, temps = rates[:0], temps[:0]
	}
	for i, T := range kelvin {
		b := math.Floor(T / step)
		if math.IsNaN(T) || !(d[i] > 0) || b < top {
			continue
		}
		if b > bin {
			flush()
			bin, top = b, b
		}
		rates, temps = append(rates, d[i]), append(temps, T)
	}
	flush()
	return out, nil
}

// PhiFactor is 1 + holder's heat capacity over the cell's (J/K): the thermal
// inertia of adiabatic calorimetry (Townsend and Tou, Thermochimica Acta 37
// (1980) 1, from memory). 1 is the ideal.
func PhiFactor(holderJPerK, cellJPerK float64) (float64, error) {
	if !(holderJPerK >= 0) || !positive(cellJPerK) || math.IsInf(holderJPerK, 0) {
		return 0, fmt.Errorf("heat capacities %g and %g J/K: give the holder's of 0 or more and the cell's positive", holderJPerK, cellJPerK)
	}
	return 1 + holderJPerK/cellJPerK, nil
}

// HeatInputs describe a cell that warmed up; U are standard uncertainties.
type HeatInputs struct {
	MassKg, MassU         float64
	CapacityJPerKgK, CapU float64
	RiseK, RiseU          float64 // of the cell, from onset to the top
	Phi, PhiU             float64 // 0 is read as 1
	LossJ, LossU          float64 // to the surroundings and with what was ejected
}

// Heat is the heat (J) of a runaway from the temperature rise: φ·m·c·ΔT + loss,
// as a budget. What was ejected took heat along that no thermometer on the can
// has seen: without an estimate of the loss it is a lower bound.
func (h HeatInputs) Heat() (Budget, error) {
	phi := h.Phi
	if phi == 0 {
		phi = 1
	}
	if !positive(h.MassKg) || !positive(h.CapacityJPerKgK) || !positive(h.RiseK) || !(phi >= 1) || !(h.LossJ >= 0) {
		return Budget{}, fmt.Errorf("heat of %g kg of %g J/(kg K) over %g K, phi %g, loss %g J: give positive numbers, phi of at least 1 and a loss of 0 or more", h.MassKg, h.CapacityJPerKgK, h.RiseK, phi, h.LossJ)
	}
	return Budget{Name: "heat", Unit: "J", Inputs: []Input{
		{Name: "phi factor", Unit: "-", Value: phi, U: h.PhiU},
		{Name: "mass of the cell", Unit: "kg", Value: h.MassKg, U: h.MassU},
		{Name: "specific heat", Unit: "J/(kg K)", Value: h.CapacityJPerKgK, U: h.CapU},
		{Name: "temperature rise", Unit: "K", Value: h.RiseK, U: h.RiseU},
		{Name: "loss", Unit: "J", Value: h.LossJ, U: h.LossU},
	}, Model: func(x []float64) float64 { return x[0]*x[1]*x[2]*x[3] + x[4] }}, nil
}

// Delay is the time (s) from one onset to the next, with standard uncertainty:
// of runaways from cell to cell, or of events within one.
type Delay struct {
	From, To int // numbers of the onsets, from 0, in the order given
	S, U     float64
}

// Delays are those between neighbours in time. Onsets of the same clock:
// standard uncertainties u (s) are independent.
func Delays(onsets, u []float64) ([]Delay, error) {
	if len(onsets) != len(u) {
		return nil, fmt.Errorf("%d onsets with %d uncertainties: give one each", len(onsets), len(u))
	}
	order := make([]int, 0, len(onsets))
	for i, t := range onsets {
		if math.IsNaN(t) || math.IsInf(t, 0) || !(u[i] >= 0) {
			return nil, fmt.Errorf("onset %d at %g s with %g s: give finite numbers, the uncertainty not negative", i+1, t, u[i])
		}
		k := len(order)
		for k > 0 && onsets[order[k-1]] > t {
			k--
		}
		order = append(order[:k], append([]int{i}, order[k:]...)...)
	}
	var out []Delay
	for k := 1; k < len(order); k++ {
		a, b := order[k-1], order[k]
		out = append(out, Delay{From: a, To: b, S: onsets[b] - onsets[a], U: math.Hypot(u[a], u[b])})
	}
	return out, nil
}

// A Reaction is one of the decompositions of a cell by the four-equation model:
// Kim, Pesaran and Spotnitz, J. Power Sources 170 (2007) 476, tables 1 and 2
// (after Hatchard and Dahn 2001).
type Reaction struct {
	Name     string
	Factor   float64 // A, 1/s
	Energy   float64 // Ea, J/mol
	HeatJPKg float64 // H, J/kg of reactant
	Content  float64 // W, kg of reactant a m³ of jelly roll
	Order    float64 // m
	Start    float64 // of the dimensionless concentration (alpha: conversion)
}

// Reactions lists the four: decomposition of the solid-electrolyte interphase,
// negative and positive electrode with the electrolyte, electrolyte alone.
func Reactions() []Reaction {
	return []Reaction{
		{"sei", 1.667e15, 135080, 257e3, 610.4, 1, 0.15},
		{"ne", 2.5e13, 135080, 1714e3, 610.4, 1, 0.75},
		{"pe", 6.667e13, 139600, 314e3, 1221, 1, 0.04},
		{"ele", 5.14e25, 274000, 155e3, 406.9, 1, 1},
	}
}

// Rate is the constant k = A·exp(-Ea/(R·T)), 1/s, at T (K).
func (r Reaction) Rate(T float64) float64 { return r.Factor * math.Exp(-r.Energy/(flow.R*T)) }

// ReactionHeat is the heat (J/m³ of jelly roll) of all reactions run to their
// end. The positive electrode begins at a conversion of 0.04; in a cell the
// negative one ends early, as its film grows.
func ReactionHeat() float64 {
	sum := 0.0
	for _, r := range Reactions() {
		left := r.Start
		if r.Name == "pe" {
			left = 1 - r.Start
		}
		sum += r.HeatJPKg * r.Content * left
	}
	return sum
}
