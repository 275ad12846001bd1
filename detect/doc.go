// Package detect decides, sample by sample, what the specimen and the sensors
// have done.
//
// A Monitor is a pure state machine: the same samples, ticks, inputs and
// findings in the same order give the same Ready. It has no goroutine, lock,
// wall clock, file, logger or random number.
package detect
