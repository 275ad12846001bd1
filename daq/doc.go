// Package daq names what a bench measures and turns instrument bytes into
// time-stamped readings and samples.
//
// # Units and time
//
// Inside the program pressure is in Pa, temperature in °C, voltage in V,
// current in A, force in N, time in s where it is a float64 and in ns where it
// is an int64. Every int64 time is bench time: nanoseconds of a monotonic
// clock since the daemon's own epoch. A step of the wall clock does not touch
// it; the wall clock is written beside it, in ticks.
//
// # What is recorded
//
// The record of a bench is the input of its loop: a sequence of numbered
// Entry values (batches of raw readings, ticks, commands, findings, read-backs,
// the configuration). Samples, events and alarms are functions of it.
package daq
