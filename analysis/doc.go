// Package analysis computes a run's engineering results from its samples and
// events. It owns the fit of an opening.
//
// The package is pure: no clock, file, logger or random number. The same window
// gives the same finding, bit for bit on one machine.
//
// # How an opening is fitted
//
// The pressure of the vessel is a straight ramp up to the start of the opening
// t0, then an adiabatic blow-down through an area that grows smoothly over the
// opening time w, against a supply that goes on running; the transducer follows
// with its lag. The effective onset t0 + w/2 is what the later fall tells; t0
// alone hardly shows. Model and data are compared in time bins that are single
// samples near the onset and grow with the distance from it. The opening time
// enters by its whole profile, not by a linearisation, because it lies near its
// bound of nought for most openings.
//
// Stated uncertainties are expanded with k = 2. They hold the noise as it is
// (correlated, with hum and quantisation), not as a white one would be.
package analysis
