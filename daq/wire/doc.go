// Package wire encodes and decodes the instruments' serial protocols.
//
// Decoders and askers are pure state machines over bytes and bench time; they
// count and skip what they can't read and never fail.
package wire
