// Package flow relates pressure, vent area and mass flow for gas leaving a
// vessel.
//
// Everything is in SI: Pa absolute, K, m², m³, kg, s. The gas is ideal (a
// compressibility factor is taken where a formula names one) with a constant
// ratio of specific heats, the flow one-dimensional and isentropic up to the
// smallest section, and what a real orifice makes of that is put into the
// effective area C_d·A. Pressures are absolute: a gauge pressure put in gives a
// wrong answer without any warning.
package flow
