package calib

import "math"

// Absolute turns a gauge pressure into an absolute one with the barometer's
// reading. Pa.
func Absolute(gauge, ambient float64) float64 { return gauge + ambient }

// Gauge turns an absolute pressure into a gauge one with the barometer's
// reading. Pa.
func Gauge(absolute, ambient float64) float64 { return absolute - ambient }

// UReferred is the standard uncertainty of a pressure that was turned from one
// reference to the other: the transducer's u and the barometer's, independent
// (GUM, JCGM 100, 5.1.2). Pa.
func UReferred(u, uAmbient float64) float64 { return math.Hypot(u, uAmbient) }
