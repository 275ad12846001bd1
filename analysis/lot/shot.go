package lot

import (
	"slices"
	"strings"
)

// Status tells what a shot's pressure is.
type Status string

const (
	Valid     Status = "valid"     // the feature opened at this pressure
	Invalid   Status = "invalid"   // excluded from statistics, with a reason
	Saturated Status = "saturated" // the transducer was at its end: at least this pressure
	Aborted   Status = "aborted"   // ended without an opening: held to at least this pressure
)

// statuses lists them in the order of messages.
var statuses = []Status{Valid, Invalid, Saturated, Aborted}

// AtLeast tells whether the pressure is only a bound from below.
func (s Status) AtLeast() bool { return s == Saturated || s == Aborted }

// Features of a can in the order in which they are meant to open.
const (
	TopVent    = "top vent"
	BottomVent = "bottom vent"
	Housing    = "housing"
)

var features = []string{TopVent, BottomVent, Housing}

// featureRank orders features as they are meant to open; others come last.
func featureRank(name string) int {
	if i := slices.Index(features, name); i >= 0 {
		return i
	}
	return len(features)
}

// A Shot is one specimen's test of one feature. Pointers are nil where it isn't
// stated.
type Shot struct {
	Lot, ID, Feature string
	PressurePa       float64 // gauge
	Status           Status
	Reason           string // why it is invalid
	Line             int    // of the file it came from; 0: none

	MeasurementPa *float64 // standard deviation of the measurement itself from shot to shot

	ResidualM    *float64 // residual thickness of the score
	Die          string
	Strokes      *float64 // of the scoring punch
	Medium       string
	RampPaS      *float64
	TemperatureC *float64
	Trigger      string
	Surrounding  string
}

// A Condition names a thing in which shots may differ and across which they
// are never pooled unless told to.
type Condition string

const (
	ByDie         Condition = "die"
	ByMedium      Condition = "medium"
	ByRamp        Condition = "ramp"
	ByTemperature Condition = "temperature"
	ByTrigger     Condition = "trigger"
	BySurrounding Condition = "surrounding"
)

// Conditions lists all of them.
var Conditions = []Condition{ByMedium, ByRamp, ByTemperature, ByTrigger, BySurrounding, ByDie}

// A Group is the shots of one lot and feature under the same conditions, in
// the order given.
type Group struct {
	Lot, Feature string
	Shots        []Shot
	// Apart lists the conditions that hold this group apart from others of the
	// same lot and feature, with its value of each; empty when it is the only
	// one. Pooled lists conditions that differ within the group because the
	// caller said so.
	Apart  []Stated
	Pooled []Condition
}

// Stated is a condition and its value in words; an empty value was not stated.
type Stated struct {
	Condition Condition
	Value     string
}

// Split sorts shots into groups. Ramp rates count as the same as long as no
// step from one to the next is greater than rampStep, temperatures as long as
// none is greater than temperatureStep: set values scatter a little.
func Split(shots []Shot, pool []Condition) []Group {
	type key struct{ lot, feature string }
	var order []key
	byKey := map[key][]Shot{}
	for _, s := range shots {
		k := key{s.Lot, s.Feature}
		if _, ok := byKey[k]; !ok {
			order = append(order, k)
		}
		byKey[k] = append(byKey[k], s)
	}
	lots := map[string]int{}
	for _, k := range order {
		if _, ok := lots[k.lot]; !ok {
			lots[k.lot] = len(lots)
		}
	}
	slices.SortStableFunc(order, func(a, b key) int {
		if d := lots[a.lot] - lots[b.lot]; d != 0 {
			return d
		}
		return featureRank(a.feature) - featureRank(b.feature)
	})
	var out []Group
	for _, k := range order {
		out = append(out, splitOne(k.lot, k.feature, byKey[k], pool)...)
	}
	return out
}

// splitOne sorts the shots of one lot and feature.
func splitOne(lot, feature string, shots []Shot, pool []Condition) []Group {
	labels := map[Condition][]string{}
	var differ, pooled []Condition
	for _, c := range Conditions {
		l := label(c, shots)
		if !slices.ContainsFunc(l, func(s string) bool { return s != l[0] }) {
			continue
		}
		if slices.Contains(pool, c) {
			pooled = append(pooled, c)
			continue
		}
		labels[c] = l
		differ = append(differ, c)
	}
	var names []string
	groups := map[string]*Group{}
	for i, s := range shots {
		var apart []Stated
		name := ""
		for _, c := range differ {
			apart = append(apart, Stated{c, labels[c][i]})
			name += labels[c][i] + "\x00"
		}
		g := groups[name]
		if g == nil {
			g = &Group{Lot: lot, Feature: feature, Apart: apart, Pooled: pooled}
			groups[name] = g
			names = append(names, name)
		}
		g.Shots = append(g.Shots, s)
	}
	out := make([]Group, len(names))
	for i, n := range names {
		out[i] = *groups[n]
	}
	return out
}

// label returns each shot's value of a condition in words.
func label(c Condition, shots []Shot) []string {
	out := make([]string, len(shots))
	switch c {
	case ByRamp:
		return clusters(shots, func(s *Shot) *float64 { return s.RampPaS }, func(a, b float64) bool { return b > rampStep*a }, rampWords)
	case ByTemperature:
		return clusters(shots, func(s *Shot) *float64 { return s.TemperatureC }, func(a, b float64) bool { return b > a+temperatureStep }, temperatureWords)
	}
	for i := range shots {
		s := &shots[i]
		switch c {
		case ByDie:
			out[i] = s.Die
		case ByMedium:
			out[i] = strings.ToLower(s.Medium)
		case ByTrigger:
			out[i] = strings.ToLower(s.Trigger)
		case BySurrounding:
			out[i] = strings.ToLower(s.Surrounding)
		}
	}
	return out
}

// InBothOrders tells whether two groups may be set against each other in an
// opening order: they agree in every condition that holds either apart, the
// die aside, since each feature has its own.
func InBothOrders(a, b *Group) bool {
	for _, x := range a.Apart {
		for _, y := range b.Apart {
			if x.Condition == y.Condition && x.Condition != ByDie && x.Value != y.Value {
				return false
			}
		}
	}
	return true
}
